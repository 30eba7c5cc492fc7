"""The picture on an evidence sheet: readings of the headroom ratio, the estimated path with its band, the limit."""

from __future__ import annotations

import html

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health.headroom import only_passed

FloatArray = NDArray[np.float64]
_WIDTH, _HEIGHT, _LEFT, _BOTTOM, _TOP, _RIGHT = 640.0, 260.0, 46.0, 34.0, 10.0, 12.0
_SPREAD = 1.645  # 90 % of a normal distribution


def path_picture(
    record: pd.DataFrame,
    path: pd.DataFrame | None,
    as_of: np.datetime64,
    warranty_end: np.datetime64,
    margin: float,
) -> str:
    """An SVG: readings (open mark: on doubted or expired gas), path with its 90 % band, limit, as-of date, warranty end.

    record: time, log_ratio, gas_note, from `sheet.calibration_records`. path: time, mean, sd_latent (ln headroom
    ratio).
    """
    read = record[record["log_ratio"].notna() & ~only_passed(record)]
    times = [_days(read["time"])]
    values = [np.exp(read["log_ratio"].to_numpy(dtype=float)), np.array([1.0, 1.0 + margin])]
    band: tuple[FloatArray, ...] = ()
    if path is not None and len(path):
        mean, spread = path["mean"].to_numpy(dtype=float), _SPREAD * path["sd_latent"].to_numpy(dtype=float)
        band = (_days(path["time"]), np.exp(mean), np.exp(mean - spread), np.exp(mean + spread))
        times.append(band[0])
        values += [band[2], band[3]]
    marks = [day for day in (as_of, warranty_end) if not np.isnat(day)]
    times.append(np.array(marks, dtype="datetime64[D]").astype(float))
    x = _Scale(np.concatenate(times), _LEFT, _WIDTH - _RIGHT)
    y = _Scale(np.concatenate(values), _HEIGHT - _BOTTOM, _TOP)
    parts = _axes(x, y)
    if band:
        outline = [*zip(x(band[0]), y(band[3])), *reversed([*zip(x(band[0]), y(band[2]))])]
        parts.append(f'<polygon points="{_points(outline)}" fill="#bbb" fill-opacity="0.5"/>')
        parts.append(f'<polyline points="{_points([*zip(x(band[0]), y(band[1]))])}" fill="none" stroke="#333"/>')
    limit = float(y(np.array([1.0 + margin]))[0])
    parts.append(f'<path d="M{_LEFT} {limit:.1f}H{_WIDTH - _RIGHT}" stroke="#111" stroke-dasharray="6 3"/>')
    parts.append(f'<text x="{_LEFT + 4}" y="{limit - 4:.1f}">limit</text>')
    for day, words in zip(marks, ("as-of date", "warranty end")):
        at = float(x(np.array([day], dtype="datetime64[D]").astype(float))[0])
        parts.append(f'<path d="M{at:.1f} {_TOP}V{_HEIGHT - _BOTTOM}" stroke="#555" stroke-dasharray="2 3"/>')
        parts.append(f'<text x="{at - 3:.1f}" y="{_TOP + 10}" text-anchor="end">{words}</text>')
    doubted = (read["gas_note"] != "").to_numpy(dtype=bool)
    for at, level, doubt in zip(x(_days(read["time"])), y(values[0]), doubted):
        fill = "none" if doubt else "#111"
        parts.append(f'<circle cx="{at:.1f}" cy="{level:.1f}" r="3.5" fill="{fill}" stroke="#111"/>')
    words = "Headroom ratio against time; open marks: readings on doubted or expired gas; grey: path with its 90 % band."
    return (
        f'<svg viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" width="{_WIDTH:g}" role="img" aria-label="{html.escape(words)}" '
        f'font-size="10" font-family="sans-serif">{"".join(parts)}</svg><p>{html.escape(words)}</p>'
    )


def _days(times: pd.Series) -> FloatArray:
    return np.asarray(times, dtype="datetime64[D]").astype(float)


class _Scale:
    """A linear scale from values to places on paper, with a little room at both ends."""

    def __init__(self, values: FloatArray, start: float, end: float) -> None:
        values = values[np.isfinite(values)]
        self.low, self.high = (float(values.min()), float(values.max())) if values.size else (0.0, 1.0)
        room = 0.04 * (self.high - self.low) or 1.0
        self.low, self.high, self.start, self.end = self.low - room, self.high + room, start, end

    def __call__(self, values: FloatArray) -> FloatArray:
        share = (np.asarray(values, dtype=float) - self.low) / (self.high - self.low)
        return self.start + share * (self.end - self.start)


def _axes(x: _Scale, y: _Scale) -> list[str]:
    """Axes with round numbers and first days of years or quarters."""
    floor = _HEIGHT - _BOTTOM
    parts = [f'<path d="M{_LEFT} {_TOP}V{floor}H{_WIDTH - _RIGHT}" fill="none" stroke="#111"/>']
    step = next(size for size in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 1e3) if (y.high - y.low) / size <= 7)
    for value in np.arange(np.ceil(y.low / step) * step, y.high, step):
        at = float(y(np.array([value]))[0])
        parts.append(f'<path d="M{_LEFT - 4} {at:.1f}h4" stroke="#111"/>')
        parts.append(f'<text x="{_LEFT - 7}" y="{at + 3:.1f}" text-anchor="end">{value:.1f}</text>')
    months = np.arange(
        np.datetime64(int(x.low), "D").astype("datetime64[M]"), np.datetime64(int(x.high), "D"), dtype="datetime64[M]"
    )
    every = next(size for size in (1, 3, 6, 12, 24, 60, 120) if months.size / size <= 8)
    for month in months[months.astype(int) % every == 0]:
        at = float(x(np.array([month], dtype="datetime64[D]").astype(float))[0])
        if at >= _LEFT:
            parts.append(f'<path d="M{at:.1f} {floor}v4" stroke="#111"/>')
            parts.append(f'<text x="{at:.1f}" y="{floor + 16}" text-anchor="middle">{month}</text>')
    return parts


def _points(places: list[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
