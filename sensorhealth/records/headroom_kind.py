"""Whether the numbers contradict that headroom is recorded as a reading: then the user is asked, never overruled."""

from __future__ import annotations

import numpy as np

from ..errors import RecordsError
from .bench import Bench

_FEWEST = 8
_HIGH = 5.0
_LOW = 0.7
_SHARE = 0.3


def refuse_contradicted_kind(bench: Bench, source: str) -> None:
    """Raise RecordsError where headroom cannot be a reading in the gas's unit; silent where it can, or nothing tells.

    Without any applied concentration, not even on a cylinder's label, a reading would say nothing: then it is asked too.
    A reading is the highest value to which the span could have been adjusted: a calibration that passed had one of at
    least the applied gas (ratio 1 and more), and a new sensor has two or three times the gas (common practice, no
    source). Judged gas by gas: a median ratio above 5, or three passed calibrations in ten below 0.7, cannot be
    readings.
    """
    applied, headroom = bench.column("calibrations", "applied"), bench.column("calibrations", "headroom")
    recorded = bench.used["calibrations"] & (headroom > 0)
    if recorded.any() and not (applied > 0).any() and not (bench.column("cylinders", "concentration") > 0).any():
        raise RecordsError(
            f"{source}: column 'headroom': it is recorded {int(recorded.sum())} times, but nowhere is the concentration that was "
            "applied ('applied' of the calibrations, 'concentration' of the cylinders), without which a reading says nothing; "
            "add it, or state headroom_kind = 'ratio' or 'percent' (of the applied gas) in a mapping if it is that already"
        )
    codes, names = bench.codes("sensors", "gas")
    gas = np.append(codes, -1)[bench.sensor_of()]
    sound = bench.used["calibrations"] & (applied > 0) & (headroom > 0) & (bench.sensor_of() >= 0)
    sound &= ~bench.is_word("calibrations", "outcome", "fail", "aborted")
    for code, name in enumerate(names):
        rows = sound & (gas == code)
        if rows.sum() < _FEWEST:
            continue
        ratio = headroom[rows] / applied[rows]
        middle, low = float(np.median(ratio)), float(np.mean(ratio < _LOW))
        if middle > _HIGH:
            raise _asked(source, name, float(np.median(headroom[rows])), float(np.median(applied[rows])), "per cent")
        if low > _SHARE:
            looks = (
                "a ratio" if float(np.median(applied[rows])) >= 8 and np.median(headroom[rows]) < 6 else "an excess or a ratio"
            )
            raise _asked(source, name, float(np.median(headroom[rows])), float(np.median(applied[rows])), looks)


def _asked(source: str, gas: str, headroom: float, applied: float, looks: str) -> RecordsError:
    return RecordsError(
        f"{source}: column 'headroom': for {gas} it is mostly about {headroom:.4g} where {applied:.4g} was applied and "
        f"the calibration passed, so it is not the highest reading the span could reach (it looks like {looks}); state "
        "headroom_kind = 'excess' (above the gas), 'ratio', 'percent' (of the gas) or, if it is one after all, "
        "'reading' in a mapping"
    )
