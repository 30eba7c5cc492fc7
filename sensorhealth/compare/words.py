"""Verdicts on groups, and what cannot be told apart, in words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sensorhealth.compare.source import MOST_GROUPS, Compared


def verdict(ratio: float, q_value: float, p_equivalent: float, alpha: float) -> str:
    """The verdict on an ageing rate, as the nomenclature of lots has them.

    No difference found is not the same as no difference: that needs the equivalence test.
    """
    if not np.isfinite(q_value):
        return "cannot tell"
    if q_value <= alpha:
        if p_equivalent <= alpha:
            return "different, within the margin"
        return "worse" if ratio > 1 or not np.isfinite(ratio) else "better"
    return "same within the margin" if p_equivalent <= alpha else "cannot tell"


def confounding(compared: Compared, odd: NDArray[np.bool_]) -> list[str]:
    """For each group what it cannot be told apart from or was not compared with (odd (L,)), empty where nothing."""
    lives, code = compared.source.lives, compared.code
    out: list[list[str]] = [[] for _ in compared.names]
    grouped = compared.grouped
    parts, counts = np.unique(grouped.part[grouped.level >= 0], return_counts=True)
    lonely = set(parts[counts == 1]) if parts.size > 1 else set()
    for name in compared.adjusted_for:
        values = lives[name].astype(str).to_numpy(dtype=object)
        for at in range(compared.names.size):
            own = np.unique(values[code == at])
            if own.size == 1 and own[0] and grouped.level[at] >= 0 and int(grouped.part[at]) in lonely:
                out[at].append(
                    f"all its sensors are at {name} {own[0]}, and no {compared.by} that is there is also elsewhere: "
                    f"{compared.by} and {name} cannot be told apart"
                )
    for at, share in enumerate(_shared_gas(compared)):
        if share == 0.0 and grouped.level[at] >= 0:
            out[at].append(
                f"no cylinder that served it served any other {compared.by}: its starting level contains the error of its gas"
            )
    for at, text in enumerate(_ages(compared)):
        if text:
            out[at].append(text)
    if compared.names.size > MOST_GROUPS:
        for group in np.flatnonzero(grouped.level < 0):
            out[group].append(f"only the {MOST_GROUPS} with the most readings are compared")
    for group in np.flatnonzero(grouped.level >= 0):
        without = [str(name) for name in compared.names[odd] if name != compared.names[group]]
        if without:
            out[group].append(f"compared with the others without {', '.join(without)}")
    if compared.chosen < compared.source.stratum.life_id.size:
        text = f"compared on {compared.chosen} of {compared.source.stratum.life_id.size} sensors, drawn at random"
        for parts_of_one in out:
            parts_of_one.append(text)
    return ["; ".join(texts) for texts in out]


def _shared_gas(compared: Compared) -> NDArray[np.float64]:
    """Share (L,) of each group's readings on cylinders that also served others; NaN where none is recorded."""
    stratum, size = compared.source.stratum, compared.names.size
    group, cylinder = compared.code[stratum.life], stratum.cylinder
    known = (cylinder >= 0) & (group >= 0)
    group, cylinder = group[known], cylinder[known]
    pairs = np.unique(cylinder * size + group)
    serves = np.bincount(pairs // max(size, 1), minlength=stratum.cylinders.size)
    total = np.bincount(group, minlength=size)
    shared = np.bincount(group, serves[cylinder] > 1, size)
    return np.divide(shared, total, out=np.full(size, np.nan), where=total > 0)


def _ages(compared: Compared) -> list[str]:
    """Words (L,) where a group is read at ages at which the others hardly are."""
    stratum = compared.source.stratum
    group = compared.code[stratum.life]
    used = group >= 0
    group, age = group[used], stratum.age[used]
    everyone = np.sort(age)
    out = [""] * compared.names.size
    for at in np.flatnonzero(compared.grouped.level >= 0):
        own = np.sort(age[group == at])
        low, high = np.quantile(own, [0.05, 0.95])
        inside = [np.searchsorted(a, high, "right") - np.searchsorted(a, low, "left") for a in (everyone, own)]
        if everyone.size > own.size and inside[0] - inside[1] < 0.1 * (everyone.size - own.size):
            out[at] = (
                f"it is read at ages of {low:.1f} to {high:.1f} years, the others hardly so: the comparison rests on "
                f"the assumed ageing curve ({compared.source.curve.label})"
            )
    return out
