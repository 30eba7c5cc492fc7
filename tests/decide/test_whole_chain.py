"""The budget through the whole chain: records read, forecasts fitted, counts against the true ends of invented fleets."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import sensorhealth
from sensorhealth import analysis, decide
from sensorhealth.decide.budget import months
from sensorhealth.synthetic import simulate

POLICY = decide.Policy(scheme="failure", budget_months=12)


def _ends(folder: Path, seed: int) -> tuple[pd.DataFrame, np.ndarray, np.ndarray, np.ndarray]:
    """Budget of fleet and sites made a year before the records end; its edges; site and days to the end of each sensor."""
    invented = simulate(n_sensors=80, seed=seed)
    fleet = sensorhealth.read_fleet(invented.write(folder / str(seed)))
    day = fleet.calibrations["time"].max().normalize() - pd.Timedelta(days=365)
    known = fleet.known_at(day + pd.Timedelta(days=1))
    ahead = analysis.look_ahead(known, day, POLICY)
    forecast = analysis.life.forecast_table(ahead.remaining, ahead.paths, ahead.current, known, sudden=ahead.sudden)
    fresh = analysis.new_sensors(ahead, day, POLICY)
    plan = decide.plan_fleet(ahead.remaining, ahead.current, forecast, known, POLICY, fresh=fresh)
    tables = decide.budgets(plan, by=("fleet", "site"), shared_draws=analysis.shared_draws(ahead, day, POLICY))
    truth = invented.truth["truth_sensors"]
    alive = truth[(truth["installed"] <= day) & ~(pd.to_datetime(truth["left"]) <= day)]
    there = pd.Index(plan.facts.sensor_id[plan.facts.in_service])
    end = pd.to_datetime(alive.drop_duplicates("sensor_id", keep="last").set_index("sensor_id")["end_time"]).reindex(there)
    days = ((end - day).dt.total_seconds() / 86_400.0).fillna(np.inf).to_numpy()
    edges = months(plan.facts.as_of, POLICY.budget_months, 0.0).edges
    return pd.concat(tables.values(), ignore_index=True), edges, plan.facts.site[plan.facts.in_service], days


@pytest.mark.slow
def test_bands_hold_the_true_ends_when_the_forecasts_are_fitted(tmp_path: Path, study_size: Callable[[int], int]) -> None:
    """P10 to P90 of ends within three months to a year, run to failure; nominal 80 %, counts are whole."""
    inside: dict[str, list[bool]] = {"fleet": [], "site": []}
    fleets = study_size(6)
    for seed in range(fleets):
        table, edges, site, days = _ends(tmp_path, 700 + seed)
        for (by, group), part in table.groupby(["by", "group"]):
            mine = days if by == "fleet" else days[site == group]
            for month in (3, 6, 12):
                row = part.iloc[month - 1]
                count = (mine <= edges[month]).sum()
                inside[str(by)].append(bool(row["cumulative_p10_count"] <= count <= row["cumulative_p90_count"]))
    spread = 3.0 * np.sqrt(0.8 * 0.2 / fleets)
    assert np.mean(inside["fleet"]) >= 0.8 - spread
    assert np.mean(inside["site"]) >= 0.8 - 0.5 * spread
