"""Every chart of an Analysis by name: what the report, the notebooks and the README's pictures draw from.

Each function takes an Analysis (and `ax`, where it is to be drawn on given Axes), picks the tables that its chart
needs and returns the Axes. `show` makes an Axes into a picture that a notebook displays.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from sensorhealth.errors import RecordsError
from sensorhealth.present import style, wording
from sensorhealth.present.charts import budget as budgets
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
from sensorhealth.present.page import headline, html, tables
from sensorhealth.present.page import sensors as page_sensors

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PATH_POINTS = 80


@dataclass(frozen=True)
class Picture:
    """A drawn chart that notebooks display. png: its bytes. words: what it shows."""

    png: bytes
    words: str

    def _repr_png_(self) -> tuple[bytes, dict[str, str]]:
        return self.png, {"alt": self.words}

    def __repr__(self) -> str:
        return f"Picture: {self.words}"


def show(ax: Axes, dpi: int = 100) -> Picture:
    """The figure of `ax` as a picture for a notebook."""
    return Picture(style.png(ax, dpi=dpi), ax.get_title(loc="left"))


def fleet_runway(analysis: Any, *, ax: Axes | None = None, **how: Any) -> Axes:
    """Remaining life of all sensors against warranty and visits."""
    dates = pd.to_datetime(analysis.visits["visit"])
    return runway.runway(analysis.forecast, analysis.fleet.sensors, dates, ax=ax, **how)


def soonest(analysis: Any, n: int = 30, *, ax: Axes | None = None) -> Axes:
    """Remaining life of the `n` sensors whose median end is soonest, with their names."""
    ahead = analysis.forecast[analysis.forecast["status"].isin(runway.WITH_FORECAST)].nsmallest(n, "rul_days_p50")
    visits = pd.to_datetime(analysis.visits["visit"])
    return runway.runway(ahead, analysis.fleet.sensors, visits, name=f"the {len(ahead)} soonest", ax=ax)


def by_site(analysis: Any, *, ax: Axes | None = None) -> Axes:
    """One small runway for every site."""
    return sites.sites(analysis.forecast, analysis.fleet.sensors, ax=ax)


def budget(analysis: Any, quantity: str = "cost", *, ax: Axes | None = None) -> Axes:
    """Cost or count of replacements by month."""
    return budgets.budget(analysis.budget, quantity, currency=analysis.policy.currency, ax=ax)


def lot_rates(analysis: Any, by: str = "lot", *, max_rows: int = 40, ax: Axes | None = None) -> Axes:
    """Ageing rates of the lots, or of the values of another column."""
    return lots.lots(analysis.lots(by=by), by=by, max_rows=max_rows, ax=ax)


def cylinder_bias(analysis: Any, *, max_rows: int = 40, ax: Axes | None = None) -> Axes:
    """What the cylinders held."""
    return cylinders.cylinder_effects(analysis.cylinders, max_rows=max_rows, ax=ax)


def visit_calendar(analysis: Any, *, ax: Axes | None = None) -> Axes:
    """Which visit takes along how much work."""
    return visits.visits(analysis.visits, as_of=analysis.as_of, ax=ax)


def sudden_survival(analysis: Any, group: str, *, ax: Axes | None = None) -> Axes:
    """Share without a sudden end by age, for a technology or a stratum."""
    return survival.survival(survival.hazard_data(analysis.sudden, analysis.lives, group), name=group, ax=ax)


def sudden_hazard(analysis: Any, group: str, *, ax: Axes | None = None) -> Axes:
    """Rate of sudden ends by age, for a technology or a stratum."""
    return survival.hazard(survival.hazard_data(analysis.sudden, analysis.lives, group), name=group, ax=ax)


def sudden_fit(analysis: Any, group: str, *, ax: Axes | None = None) -> Axes:
    """Probability plot: does the fitted law of sudden ends fit those of a technology or a stratum?"""
    return life_fit.probability_paper(life_fit.life_fit_data(analysis.sudden, analysis.lives, group), name=group, ax=ax)


def sudden_residuals(analysis: Any, group: str, *, ax: Axes | None = None) -> Axes:
    """Sudden ends in the time of the fit (Cox-Snell residuals), for a technology or a stratum."""
    return life_fit.residuals(life_fit.life_fit_data(analysis.sudden, analysis.lives, group), name=group, ax=ax)


def where_ends_fell(track_record: Any, *, ax: Axes | None = None) -> Axes:
    """In which tenth of this model's forecasts the ends fell (probability integrals) that a track record saw."""
    rows = _of_model(track_record.forecasts)
    return past_ends.integrals(past_ends.integrals_data(rows["pit_low"], rows["pit_high"], rows["ended"]), ax=ax)


def where_readings_fell(track_record: Any, *, ax: Axes | None = None) -> Axes:
    """The same of the next readings."""
    rows = _of_model(track_record.readings)
    known = np.ones(len(rows), dtype=bool)
    return past_ends.integrals(past_ends.integrals_data(rows["pit_low"], rows["pit_high"], known), what="readings", ax=ax)


def closing_in(track_record: Any, *, ax: Axes | None = None) -> Axes:
    """This model's forecast and the true remaining life of the lives that ended, with the 20 % about the truth."""
    return past_ends.closing_in(past_ends.closing_in_data(_of_model(track_record.forecasts)), ax=ax)


def _of_model(rows: pd.DataFrame) -> pd.DataFrame:
    from sensorhealth.evaluate.past import MODEL

    return rows[rows["forecaster"] == MODEL]


def chance_and_outcome(track_record: Any, horizon_days: int = 180, *, ax: Axes | None = None) -> Axes:
    """Reliability diagram of a track record: chances to end within `horizon_days` against the shares that came."""
    bins = _of_model(track_record.reliability)
    bins = bins[bins["horizon_days"] == horizon_days]
    data = reliability.with_limits(bins["forecast"], bins["happened"], bins["count"])
    return reliability.reliability(data, name=f"{horizon_days} days ahead", ax=ax)


def beside_simple_rules(track_record: Any, measure: str = forecasters.USUAL, *, ax: Axes | None = None) -> Axes:
    """One measure of a track record: this model beside the baselines."""
    return forecasters.forecasters(track_record.table, measure, ax=ax)


def current_life(analysis: Any, sensor_id: str) -> pd.Series:
    """The row of `lives` that the sensor is in. Raises RecordsError where there is no such sensor."""
    lives = analysis.lives[(analysis.lives["sensor_id"] == sensor_id) & analysis.lives["current"].astype(bool)]
    if lives.empty:
        raise RecordsError(f"no sensor {sensor_id!r} in service; the column sensor_id of the forecast lists them")
    return lives.iloc[0]


def sensor_path(analysis: Any, sensor_id: str, *, ax: Axes | None = None) -> Axes:
    """One sensor's readings, as recorded and net of the gas, with its path and where it may go."""
    life = current_life(analysis, sensor_id)
    readings = analysis.readings[analysis.readings["life_id"] == life["life_id"]]
    row = analysis.forecast.set_index("sensor_id").loc[sensor_id]
    quantiles = row[["rul_days_p05", "rul_days_p50", "rul_days_p95"]].to_numpy(dtype=float)
    ahead = min(quantiles[2] * 1.15, 2500.0) if np.isfinite(quantiles).all() else 365.0
    start = readings["time"].min() if len(readings) else life["installed"]
    times = pd.date_range(start, analysis.as_of + pd.Timedelta(days=max(ahead, 180.0)), periods=PATH_POINTS)
    ages = (times - life["installed"]).total_seconds().to_numpy() / 86400 / 365.25
    fitted = analysis.ageing.predict([life["life_id"]] * len(times), np.maximum(ages, 0.0))
    fan = path.path_fan_data(times, fitted["mean"].to_numpy(), fitted["sd_latent"].to_numpy())
    ends = analysis.fleet.sensors.set_index("sensor_id")["warranty_end"]
    return path.sensor_path(
        path.path_readings_data(readings, analysis.ageing.residuals_), fan, as_of=analysis.as_of,
        margin=analysis.policy.margin, warranty_end=ends.get(sensor_id),
        rul_days=tuple(quantiles) if np.isfinite(quantiles).all() else None, name=sensor_id,
        sudden=row["mode"] == "sudden", ax=ax,
    )  # fmt: skip


def zeros(analysis: Any, sensor_id: str = "", *, technology: str = "", gas: str = "", ax: Axes | None = None) -> Axes:
    """Zero offsets of one sensor, or the band of all sensors of a technology and gas."""
    sensors = analysis.fleet.sensors
    if sensor_id:
        chosen = sensors[sensors["sensor_id"] == sensor_id]
    else:
        chosen = sensors[(sensors["technology"] == technology) & (sensors["gas"] == gas)]
    rows = analysis.fleet.calibrations[analysis.fleet.calibrations["sensor_id"].isin(chosen["sensor_id"])]
    units = chosen["unit"].unique()
    name = sensor_id or f"{technology} {gas}"
    return zero.zero_drift(rows, unit=units[0] if len(units) == 1 else "", name=name, ax=ax)


def sensor_control(analysis: Any, sensor_id: str, *, ax: Axes | None = None) -> Axes:
    """Control chart of one sensor's readings, net of path and gas, in standard deviations of a reading."""
    life = current_life(analysis, sensor_id)
    residuals = analysis.ageing.residuals_
    rows = residuals[residuals["life_id"] == life["life_id"]]
    rows = rows.assign(time=analysis.readings["time"].reindex(rows.index)).sort_values("time")
    data = control.ewma_data(rows["residual"] / rows["residual_sd"], target=0.0, sigma=1.0)
    return control.control_chart(rows["time"], data, y="residual (standard deviations)", name=sensor_id, ax=ax)


@dataclass(frozen=True)
class Rows:
    """Rows of a table of the contract as notebooks display them: headings for people, ISO dates, no more than asked
    for.

    html: the table; text: the same for a terminal.
    """

    html: str
    text: str

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return self.text


def rows(table: str, frame: pd.DataFrame, *names: str, first: int = 10) -> Rows:
    """The `first` rows of `frame`, a table of the contract (forecast, plan, lots, ...), with the columns `names` of
    it."""
    chosen = frame.head(first)
    shown = [tables.column(table, name) for name in names] if names else tables.columns(table, frame)
    note = f"{wording.count(len(frame), 'row')}, the first {first} shown" if len(frame) > first else ""
    text = "\n".join("  ".join(tables.show(row, column) for column in shown) for row in chosen.to_dict("records"))
    return Rows(tables.plain(chosen, shown, note), text or "(no row)")


def first_screen(analysis: Any) -> Rows:
    """The six answers of the report's first screen."""
    found = headline.answers(analysis, page_sensors.sensor_list(analysis))
    body = "".join(
        f'<tr><th scope="row">{html.text(answer.question)}</th>'
        f"<td><strong>{html.text(answer.figure)}</strong> {html.text(' '.join(answer.sentences))}</td></tr>"
        for answer in found
    )
    text = "\n".join(f"{answer.question} {answer.figure} {' '.join(answer.sentences)}" for answer in found)
    return Rows(f"<table><tbody>{body}</tbody></table>", text)


def figures(frame: pd.DataFrame) -> Rows:
    """A small table of figures as notebooks display it: whole numbers from 100 on, no false digits below.

    Rows are named by the frame's index.
    """
    labels = [_words(label) for label in frame.index]
    cells = [[_figure(value) for value in row] for row in frame.itertuples(index=False)]
    head = "".join(f'<th scope="col">{html.text(name)}</th>' for name in ("", *map(_words, frame.columns)))
    body = "".join(
        f'<tr><th scope="row">{html.text(label)}</th>{"".join(map(_cell, row))}</tr>' for label, row in zip(labels, cells)
    )
    text = "\n".join("  ".join([label, *row]) for label, row in zip(labels, cells))
    return Rows(f'<div class="scroll"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>', text)


def _cell(text: str) -> str:
    return f'<td class="{"prose" if len(text) > tables.PROSE else "brief"}">{html.text(text)}</td>'


def _words(name: Any) -> str:
    """The name of a row or column; of several levels those that say something."""
    levels = name if isinstance(name, tuple) else (name,)
    said = [level for level in levels if not pd.isna(level)]
    return " ".join(f"{level:g}" if isinstance(level, float) else str(level).replace("_", " ") for level in said)


def _figure(value: Any) -> str:
    if pd.isna(value):
        return "–"
    if isinstance(value, (str, bool, np.bool_)):
        return value if isinstance(value, str) else "yes" if value else "no"
    size = abs(float(value))
    return wording.number(value, 0 if size >= 100 or float(value).is_integer() else 1 if size >= 10 else 2 if size >= 1 else 3)
