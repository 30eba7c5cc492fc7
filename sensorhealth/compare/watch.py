"""Watching new lots as readings come in, with a false-alarm rate that holds over all looks together."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sensorhealth.compare.groups import fit_groups
from sensorhealth.compare.sequential import evidence, normal_score
from sensorhealth.compare.source import Source, codes, column_of, sources
from sensorhealth.compare.subset import known_by
from sensorhealth.degradation import AgeingModel
from sensorhealth.errors import FitError

WATCH_COLUMNS = [
    "technology", "gas", "lot", "date", "sensors", "readings", "ratio_to_rest", "z", "evidence", "p_value", "alarm",
]  # fmt: skip


def watch(
    readings: pd.DataFrame,
    lives: pd.DataFrame,
    model: AgeingModel,
    by: str = "lot",
    *,
    adjust: tuple[str, ...] = ("site",),
    every_days: int = 30,
    alpha: float = 0.05,
    change: float = 0.30,
    faster: bool = True,
) -> pd.DataFrame:
    """The evidence that each lot ages faster than the rest, at looks every `every_days` from the first reading on.

    alpha: chance that a lot which is no different ever raises an alarm, over all looks together. change: size of
    difference, relative to the usual rate, that the watch is sharpest for. faster: alarm for faster ageing only; else for
    slower as well. Other arguments as for `lots`. Columns: technology, gas, lot, date, sensors, readings (known then),
    ratio_to_rest, z, evidence (likelihood ratio for a difference), p_value (valid at every look: 1 / largest evidence so
    far), alarm (p_value <= alpha). A lot is watched from the first look at which its readings carry a rate at all.

    At each look variances and effects are estimated from the readings up to it; the ageing curve and the weights of odd
    readings are the model's, so a look back with today's model is a little wiser than one made then.
    """
    column_of(lives, by)
    frames = [
        _watch_source(source, readings, by, adjust, every_days, change, -1 if faster else 0) for source in sources(model, lives)
    ]
    frames = [frame for frame in frames if len(frame)]
    if not frames:
        return pd.DataFrame(columns=WATCH_COLUMNS)
    table = pd.concat(frames, ignore_index=True)
    table = table.sort_values(["technology", "gas", "lot", "date"], kind="stable", ignore_index=True)
    largest = table.groupby(["technology", "gas", "lot"])["evidence"].cummax()
    table["p_value"] = 1.0 / largest.clip(lower=1.0)
    table["alarm"] = table["p_value"] <= alpha
    return table[WATCH_COLUMNS]


def first_alarms(watched: pd.DataFrame) -> pd.DataFrame:
    """The first alarm of each lot that raised one, from the table of `watch`, in order of date."""
    alarms = watched[watched["alarm"]].sort_values("date", kind="stable")
    return alarms.drop_duplicates(["technology", "gas", "lot"]).reset_index(drop=True)


def _watch_source(
    source: Source, readings: pd.DataFrame, by: str, adjust: tuple[str, ...], every_days: int, change: float, side: int
) -> pd.DataFrame:
    """All looks of one stratum."""
    stratum = source.stratum
    time = readings["time"].to_numpy()[stratum.row].astype("datetime64[s]")
    code, names = codes(source.lives[by])
    if names.size < 2:
        return pd.DataFrame()
    others = tuple(codes(source.lives[name])[0] for name in adjust if name not in (by, "lot") and name in source.lives.columns)
    nested = codes(source.lives["lot"])[0] if by != "lot" and "lot" in source.lives.columns else None
    step = np.timedelta64(every_days, "D")
    first = time.min().astype("datetime64[D]").astype("datetime64[s]")
    looks = np.arange(first + step, time.max() + step, step)
    expected = change * abs(source.slope)
    start = source.parameters
    rows = []
    for look in looks:
        data = known_by(source.data, time <= look)
        try:
            grouped = fit_groups(
                data, code, names.size, others, nested, start, source.parameters.brownian > 0, adjust_errors=False
            )
        except FitError:
            continue
        start = grouped.fit.parameters
        for at in np.flatnonzero(grouped.slope >= 0):
            rest = grouped.rest(int(at), grouped.slope)
            if rest is None:
                continue
            own = grouped.rows(grouped.slope[at : at + 1])[0]
            gap = grouped.contrasts((own - rest)[None, :])
            usual = float(rest @ grouped.fit.beta)
            z = normal_score(gap.t(), gap.degrees)
            weight = evidence(z, 1.0 / gap.error**2, expected, side)
            ratio = float(own @ grouped.fit.beta) / usual if usual < 0 else np.nan
            rows.append((names[at], look, grouped.sensors[at], grouped.readings[at], ratio, float(z[0]), float(weight[0])))
    table = pd.DataFrame(rows, columns=["lot", "date", "sensors", "readings", "ratio_to_rest", "z", "evidence"])
    return table.assign(technology=stratum.technology, gas=stratum.gas)
