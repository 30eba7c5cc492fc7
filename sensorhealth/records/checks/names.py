"""Sites, suppliers and other names that are written in two ways."""

from __future__ import annotations

import numpy as np

from ..bench import CORRECTED, DOUBTED, Array, Batch, Bench
from ..raw import IntArray

ORDER = 24
FINDINGS = {
    "name written otherwise": "a site, supplier, model, technician or lot (or cylinder, where no table lists them) that "
    "differs from another only in capitals or spaces"
}
_ONE_THING = (("sensors", "site"), ("sensors", "supplier"), ("sensors", "model"), ("calibrations", "technician"))
_MAY_DIFFER = (("sensors", "lot"),)  # the codes of two lots may differ in capitals only


def check(bench: Bench) -> list[Batch]:
    """The commonest way of writing a name is used for all; lots are left as they are, and doubted."""
    cylinders = [] if bench.used["cylinders"].any() else [("calibrations", "cylinder_id")]  # else `unknown_cylinder` sees to them
    found = [_rarer(bench, table, name, CORRECTED) for table, name in (*_ONE_THING, *cylinders)]
    found += [_rarer(bench, table, name, DOUBTED) for table, name in _MAY_DIFFER]
    return [batch for batch in found if batch is not None]


def _rarer(bench: Bench, table: str, name: str, done: str) -> Batch | None:
    codes, texts = bench.codes(table, name)
    usual = _usual(texts, np.bincount(codes[(codes >= 0) & bench.used[table]], minlength=len(texts)))
    at = np.flatnonzero((codes >= 0) & (usual[codes] != codes)).astype(np.int64) if len(texts) else np.empty(0, np.int64)
    if not at.size:
        return None
    common = texts[usual[codes[at]]]
    end = "is read as that name" if done == CORRECTED else "counts as another; write it in one way if it is the same"
    reasons = [f"elsewhere written {other!r}: {end}" for other in common]
    changes = {name: common} if done == CORRECTED else {}
    return Batch("name written otherwise", table, name, done, at, by=name, changes=changes, reasons=reasons)


def _usual(texts: Array, times: Array) -> IntArray:
    """For each text the position of the commonest that is the same but for capitals and spaces."""
    order = sorted(range(len(texts)), key=lambda k: (-times[k], str(texts[k])))
    first: dict[str, int] = {}
    for k in order:
        first.setdefault("".join(str(texts[k]).split()).casefold(), k)
    return np.array([first["".join(str(text).split()).casefold()] for text in texts], dtype=np.int64)
