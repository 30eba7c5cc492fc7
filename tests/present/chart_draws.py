"""Every chart, drawn from the analysis made by hand: what the laws and the picture tests run over."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes

from sensorhealth.present.charts import budget as budget_chart
from sensorhealth.present.charts import (
    control,
    cylinders,
    forecasters,
    life_fit,
    lots,
    past_ends,
    path,
    reliability,
    runway,
    sites,
    survival,
    visits,
    zero,
)

Draw = Callable[[SimpleNamespace, Axes | None], Axes]


def bands(n: int) -> pd.DataFrame:
    edges = np.arange(n + 1) * 0.5
    frame = pd.DataFrame({"lower": edges[:-1], "upper": edges[1:], "deaths": 2.0, "exposure": 40.0, "rate": 0.05})
    frame = frame.assign(low=0.02, high=0.12, fitted_rate=0.06)
    frame["survival"] = np.exp(-0.05 * frame["upper"])
    frame["survival_low"], frame["survival_high"] = frame["survival"] ** 1.5, frame["survival"] ** 0.7
    return frame.assign(fitted_survival=np.exp(-0.06 * frame["upper"]))


def one_path(a: SimpleNamespace, ax: Axes | None) -> Axes:
    readings = a.readings[a.readings["sensor_id"] == "S00003"]
    times = pd.date_range(a.as_of - pd.Timedelta(days=600), a.as_of + pd.Timedelta(days=400), periods=30)
    fan = path.path_fan_data(times, np.linspace(0.8, 0.0, 30), np.linspace(0.01, 0.3, 30))
    corrected = path.path_readings_data(readings, a.ageing.residuals_)
    return path.sensor_path(corrected, fan, as_of=a.as_of, rul_days=(90, 300, 900), name="S00003", ax=ax)


def control_of(a: SimpleNamespace, ax: Axes | None) -> Axes:
    values = a.readings["log_ratio"].to_numpy()[:20]
    times = pd.date_range("2024-01-01", periods=len(values), freq="30D")
    return control.control_chart(times, control.ewma_data(values, target=0.5, sigma=0.2), ax=ax)


def zeros(a: SimpleNamespace, ax: Axes | None) -> Axes:
    rows = a.readings[["sensor_id", "time"]]
    return zero.zero_drift(rows.assign(zero_offset=np.sin(np.arange(len(rows)))), unit="ppm", ax=ax)


def with_a_visit_for_tests(table: pd.DataFrame) -> pd.DataFrame:
    last = table.tail(1)
    return pd.concat([table, last.assign(swaps=0, tests=5, visit=last["visit"] + pd.Timedelta(days=60))], ignore_index=True)


def reliable(a: SimpleNamespace, ax: Axes | None) -> Axes:
    chance = np.linspace(0, 1, 200)[: len(a.forecast) * 4]
    happened = (np.arange(len(chance)) * 0.618) % 1 < chance
    return reliability.reliability(reliability.reliability_data(chance, happened), ax=ax)


def past(n: int) -> pd.DataFrame:
    """Three forecasters' errors, over all dates and on one of them; invented numbers."""
    rows = [("this model", 0.02), ("last reading again", 0.03), ("fixed life", 0.05)]
    table = pd.DataFrame(rows, columns=["forecaster", "value"]).assign(measure=forecasters.USUAL, as_of=pd.NaT)
    table = pd.concat([table, table.assign(as_of=pd.Timestamp("2025-01-01"), value=1.0)], ignore_index=True)
    return table.assign(std_error=0.002, count=100, horizon_days=np.nan)[: 6 if n else 0]


def life_fit_of(n: int) -> life_fit.LifeFit:
    """Ends on a Weibull law of shape 3 and scale 2, as counted without error beside a fit of shape 2.5; none for n = 0."""
    from sensorhealth.life.families import life_families

    age, ages = np.linspace(0.8, 3.0, 12), np.geomspace(0.6, 3.2, 60)
    points = pd.DataFrame({"age": age, "probability": 1 - np.exp(-((age / 2.0) ** 3.0))})
    line = pd.DataFrame({"age": ages, "probability": 1 - np.exp(-((ages / 2.0) ** 2.5))})
    line = line.assign(low=0.6 * line["probability"], high=1 - 0.7 * (1 - line["probability"]))
    residual = (age / 2.0) ** 2.5
    residuals = pd.DataFrame({"residual": residual, "survival": 1 - points["probability"], "expected": np.exp(-residual)})
    if not n:
        return life_fit.LifeFit(points[:0], line[:0], residuals[:0], None, 0)
    return life_fit.LifeFit(points, line, residuals, life_families()["weibull"], 12)


def fell(n: int) -> pd.DataFrame:
    """Ends spread more to the sides of their forecasts than these allow; invented."""
    u = (np.arange(200 if n else 0) + 0.5) / 200
    at = 0.5 + np.sign(u - 0.5) * 0.5 * np.abs(2 * u - 1) ** 0.6
    return past_ends.integrals_data(at, at, np.ones(at.size, dtype=bool))


def closed(n: int, many: bool) -> pd.DataFrame:
    """Medians about the true remaining life; invented."""
    true = np.linspace(10, 700, 150 if many else 30)[: None if n else 0]
    median = true * np.exp(0.9 * np.sin(np.arange(true.size) * 2.4))
    rows = pd.DataFrame({"sensor_id": "S", "as_of": pd.Timestamp("2025-01-01"), "rul_days_p50": median, "ended": True})
    rows = rows.assign(rul_days_p05=0.5 * median, rul_days_p95=1.8 * median, lower_days=true - 5.0, upper_days=true + 5.0)
    return past_ends.closing_in_data(rows)


DRAWN: dict[str, list[Draw]] = {
    "runway": [
        lambda a, ax: runway.runway(a.forecast, a.fleet.sensors, a.visits["visit"], ax=ax),
        lambda a, ax: runway.runway(a.forecast.head(12), a.fleet.sensors, a.visits["visit"], name="the soonest", ax=ax),
    ],
    "path": [one_path],
    "budget": [lambda a, ax: budget_chart.budget(a.budget, currency="EUR", ax=ax)],
    "lots": [lambda a, ax: lots.lots(a.lots_table, ax=ax)],
    "cylinders": [lambda a, ax: cylinders.cylinder_effects(a.cylinders, ax=ax)],
    "visits": [lambda a, ax: visits.visits(with_a_visit_for_tests(a.visits), as_of=a.as_of, ax=ax)],
    "sites": [lambda a, ax: sites.sites(a.forecast, a.fleet.sensors, ax=ax)],
    "control": [control_of],
    "zero": [zeros],
    "reliability": [reliable],
    "forecasters": [lambda a, ax: forecasters.forecasters(past(len(a.forecast)), ax=ax)],
    "survival": [
        lambda a, ax: survival.survival(bands(min(6, len(a.forecast))), ax=ax),
        lambda a, ax: survival.hazard(bands(min(6, len(a.forecast))), ax=ax),
    ],
    "life_fit": [
        lambda a, ax: life_fit.probability_paper(life_fit_of(len(a.forecast)), ax=ax),
        lambda a, ax: life_fit.residuals(life_fit_of(len(a.forecast)), ax=ax),
    ],
    "past_ends": [
        lambda a, ax: past_ends.integrals(fell(len(a.forecast)), ax=ax),
        lambda a, ax: past_ends.closing_in(closed(len(a.forecast), many=False), ax=ax),
        lambda a, ax: past_ends.closing_in(closed(len(a.forecast), many=True), ax=ax),
    ],
}
EVERY = [pytest.param(draw, id=f"{name}-{k}") for name, draws in DRAWN.items() for k, draw in enumerate(draws)]
