"""Records that were kept only, or mostly, on failures."""

from __future__ import annotations

import numpy as np

from ..attempts import attempts
from ..bench import DOUBTED, Batch, Bench
from ._tools import where

ORDER = 90
FINDINGS = {"only failures kept": "a site, or a whole fleet, whose records are mostly failures"}
_FEWEST = 20
_SHARE = 0.5


def check(bench: Bench) -> list[Batch]:
    """Doubted, once for each such site: rates of failure and of ageing cannot be read from such records.

    First attempts only are counted: a retry is on record because the first failed.
    """
    adjusted = bench.used["calibrations"] & bench.is_word("calibrations", "kind", "span", "full")
    position, attempt = attempts(bench)
    adjusted[position[attempt > 1]] = False
    failed = adjusted & bench.is_word("calibrations", "outcome", "fail")
    judged = failed | (adjusted & bench.is_word("calibrations", "outcome", "pass"))
    codes, names = bench.codes("sensors", "site")
    site = np.append(codes, -1)[bench.sensor_of()] + 1
    names = np.append("", names)
    all_counts = np.bincount(site[judged], minlength=len(names))
    fail_counts = np.bincount(site[failed], minlength=len(names))
    whole = judged.sum() >= _FEWEST and failed.sum() > _SHARE * judged.sum()
    batches = []
    for place in [-1] if whole else np.flatnonzero((all_counts >= _FEWEST) & (fail_counts > _SHARE * all_counts)):
        rows = where(failed if whole else failed & (site == place))
        share = len(rows) / (judged.sum() if whole else all_counts[place])
        of = "of all calibrations" if whole else f"of the calibrations of site {names[place]!r}"
        reason = f"{share:.0%} {of} are failures: passes were not kept, so rates must not be read from these records"
        bench.notes.append(f"rates of ageing and failure are refused: {reason}")
        batches.append(Batch("only failures kept", "calibrations", "outcome", DOUBTED, rows, reason, together=True))
    return batches
