"""Calibrations of sensors that the table of sensors does not have."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np

from ..bench import CORRECTED, SET_ASIDE, Array, Batch, Bench
from ._tools import where

ORDER = 30
FINDINGS = {
    "unknown sensor": "a calibration of a sensor that is not in the table of sensors",
    "sensor set aside": "a calibration of a sensor whose own row was set aside",
    "id written otherwise": "an id that differs from a known one only in capitals, spaces, hyphens or leading zeros",
}


def check(bench: Bench) -> list[Batch]:
    """Set aside, unless exactly one known sensor is written the same but for capitals, spaces, hyphens and leading
    zeros."""
    unknown = bench.used["calibrations"] & (bench.sensor_of() < 0)
    if not unknown.any():
        return []
    codes, ids = bench.codes("calibrations", "sensor_id")
    sensors, used = bench.column("sensors", "sensor_id"), bench.used["sensors"]
    target = only_meant(ids, sensors[used])[codes]
    mendable = where(unknown & (target != ""))
    lost = unknown & (target == "")
    orphaned = lost & np.append(np.isin(ids.astype(str), sensors[~used].astype(str)), False)[codes]
    return [
        Batch("id written otherwise", "calibrations", "sensor_id", CORRECTED, mendable, otherwise=SET_ASIDE,
              changes={"sensor_id": target[mendable]},
              reasons=[f"only {name!r} is written the same but for capitals, spaces, hyphens and leading zeros"
                       for name in target[mendable]]),
        Batch("sensor set aside", "calibrations", "sensor_id", SET_ASIDE, where(orphaned),
              "the sensor's own row was set aside; mend it and these rows can be used"),
        Batch("unknown sensor", "calibrations", "sensor_id", SET_ASIDE, where(lost & ~orphaned),
              "is not in the table of sensors; add the sensor, or mend the id"),
    ]  # fmt: skip


def bare(text: str) -> str:
    """An id without capitals, spaces, hyphens, underscores, leading zeros, and the ".0" of a number in a spreadsheet."""
    whole = re.sub(r"^(\d+)\.0$", r"\1", text)
    return re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"[\s_\-./]+", "", whole.casefold()))


def only_meant(ids: Array, known: Iterable[str]) -> Array:
    """For each written id the one known id it can only mean, "" where there is none or more than one; one more "" at
    the end."""
    candidates: dict[str, set[str]] = {}
    for name in known:
        candidates.setdefault(bare(str(name)), set()).add(str(name))
    meant = [next(iter(found)) if len(found := candidates.get(bare(str(name)), set())) == 1 else "" for name in ids]
    return np.array([*meant, ""], dtype=object)
