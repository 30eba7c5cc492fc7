"""What one analysis says in several places agrees, on odd parts of the demo's records.

A number that is wrong in one place alone shows here, whatever it is made of.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import sensorhealth
from sensorhealth import nomenclature
from sensorhealth.analysis import Analysis
from sensorhealth.errors import RecordsError
from sensorhealth.records import Fleet

NEEDED = {"sensors": ("sensor_id", "gas", "technology", "installed", "unit"), "calibrations": ("sensor_id", "time", "kind")}
TABLES = {name: name for name in ("forecast", "plan", "budget", "orders", "visits", "warranty", "retest", "findings")}
TABLES |= {"schemes": "policies", "cylinders": "cylinder_effects"}
ROUNDING = 1e-9


def part_of_the_demo(folder: Path, seed: int) -> Fleet:
    """A few sensors, of one kind or of several, with columns, rows, results or cylinders left out by chance."""
    rng = np.random.default_rng(seed)
    tables = {name: pd.read_csv(folder / f"{name}.csv") for name in nomenclature.TABLES_IN}
    sensors = tables["sensors"]
    if rng.random() < 0.4:
        sensors = sensors[sensors["gas"] == rng.choice(sensors["gas"].unique())]
    names = sensors["sensor_id"].unique()
    names = rng.choice(names, min(int(rng.choice([1, 2, 5, 20])), names.size), replace=False)
    lost = rng.choice([0.1, 0.3, 0.6])
    cut = []
    for name, needed in NEEDED.items():
        table = tables[name][tables[name]["sensor_id"].isin(names)]
        cut.append(table.drop(columns=[column for column in table if column not in needed and rng.random() < lost]))
    if rng.random() < 0.3:
        cut[1] = cut[1].sample(frac=float(rng.choice([0.05, 0.3, 0.7])), random_state=seed)
    if rng.random() < 0.2:
        cut[1] = cut[1][cut[1]["kind"] != rng.choice(["span", "full"])]
    return Fleet.from_tables(*cut, None if rng.random() < 0.4 else tables["cylinders"])


def contradictions(analysis: Analysis) -> Iterator[str]:
    """What does not agree in an analysis, in words."""
    yield from _out_of_range(analysis)
    yield from _worlds(analysis)
    yield from _budget(analysis)


def _out_of_range(analysis: Analysis) -> Iterator[str]:
    for table, dictionary in TABLES.items():
        frame = getattr(analysis, table)
        for name, column in nomenclature.columns(dictionary).items():
            values = frame[name].dropna() if name in frame else pd.Series(dtype=float)
            if column.low is not None and (values < column.low - ROUNDING).any():
                yield f"{table}.{name} is {values.min()}"
            if column.high is not None and (values > column.high + ROUNDING).any():
                yield f"{table}.{name} is {values.max()}"
            if pd.api.types.is_float_dtype(values) and np.isinf(values).any():
                yield f"{table}.{name} is infinite"
    known = analysis.forecast.dropna(subset=["rul_days_p50"])
    for names in (
        [f"rul_days_{q}" for q in ("p05", "p10", "p25", "p50", "p75", "p90", "p95")], ["p_end_90d", "p_end_180d", "p_end_365d"],
    ):  # fmt: skip
        if (np.diff(known[names].to_numpy(dtype=float), axis=1) < -ROUNDING).any():
            yield f"{names} are out of order"
    if (analysis.plan["due"].dropna() < analysis.as_of.normalize()).any():
        yield "something was due before the as-of date"


def _worlds(analysis: Analysis) -> Iterator[str]:
    """The worlds of the budget say together what the forecasts say, and each is a distribution of lives."""
    told = analysis.remaining
    every = np.arange(told.life_id.size)
    worlds = [world.take(every) for world in analysis.shared_draws()]
    for life in (told, *worlds):
        ends = np.concatenate([np.diff(part, axis=1, prepend=0.0).ravel() for part in (life.soft, life.sudden)])
        if not (ends.min(initial=0.0) >= -ROUNDING and life.total.max(initial=0.0) <= 1.0 + ROUNDING):
            yield "a distribution of lives falls, or passes one"
    for days in (30.0, 90.0, 365.0, 730.0):
        for name in ("p_end", "p_end_by_falls"):
            ends, drawn = getattr(told, name)(days).sum(), [getattr(world, name)(days).sum() for world in worlds]
            if not abs(np.mean(drawn) - ends) <= 0.3 + 0.2 * ends + 0.6 * np.std(drawn):
                yield f"{name} within {days:g} days is {np.mean(drawn):.2f} in the worlds, {ends:.2f} in the forecast"


def _budget(analysis: Analysis) -> Iterator[str]:
    budget, visits = analysis.budget, analysis.visits
    for (by, group), table in budget.groupby(["by", "group"]):
        for what in ("count", "cost"):
            low, middle, high = (table[f"cumulative_{q}_{what}"].to_numpy() for q in ("p10", "p50", "p90"))
            expected = table[f"cumulative_expected_{what}"].to_numpy()
            if not ((low <= middle).all() and (middle <= high).all() and (np.diff(expected) >= -ROUNDING).all()):
                yield f"{what} of {by} {group}: bands out of order, or a sum that falls"
            # means of few and dear sensors may lie above P90, not far above it
            if what == "count" and not ((expected >= low - 1.0).all() and (expected <= 1.35 * high + 1.0).all()):
                yield f"{what} of {by} {group}: {expected[-1]:.1f} expected, band {low[-1]:.0f} to {high[-1]:.0f}"
    counts = budget.groupby("by")["expected_count"].sum()
    if len(counts) and not np.allclose(counts, counts["fleet"], rtol=1e-3, atol=1e-6):
        yield f"sites and technologies do not add up to the fleet: {counts.to_dict()}"
    soon = visits.loc[visits["visit"] < analysis.as_of + pd.Timedelta(days=30), "swaps"].sum()
    months = budget.loc[budget["by"] == "fleet", "cumulative_expected_count"]
    if len(months) and abs(months.iloc[1] - soon) > 2.0 + 0.25 * soon:
        yield f"{months.iloc[1]:.1f} replacements in the first weeks of the budget, {soon} on the visits"


@pytest.mark.parametrize("seed", [5, 34, 47])
def test_an_analysis_of_odd_records_does_not_contradict_itself(seed: int, demo_folder: Path) -> None:
    assert list(contradictions(sensorhealth.analyse(part_of_the_demo(demo_folder, seed)))) == []


@pytest.mark.slow
def test_analyses_of_many_odd_records_do_not_contradict_themselves(demo_folder: Path, study_size: Callable[[int], int]) -> None:
    found = {}
    for seed in range(100, 100 + study_size(40)):
        try:
            found[seed] = list(contradictions(sensorhealth.analyse(part_of_the_demo(demo_folder, seed))))
        except RecordsError:  # asked about in words: not what this is about
            continue
    assert {seed: said for seed, said in found.items() if said} == {}


def test_the_demo_does_not_contradict_itself(demo: Analysis) -> None:
    assert list(contradictions(demo)) == []
