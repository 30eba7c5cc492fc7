"""The kinds of sensor of the invented fleet: figures for invented examples, common practice at best, no source."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SensorKind:
    """One kind of sensor: a technology for a gas, with the figures its invented sensors are drawn from.

    name: also the `model` in the table. applied: concentration of its calibration gas, in `unit`. resolution: step of
    the readings, in `unit`. curve: name in `curves.CURVES`. level: median headroom ratio when new. level_spread,
    rate_spread: standard deviations of the logarithms between sensors. rate: median loss d ln(headroom)/dt per year
    (see `curves`). wander: standard deviation of the Brownian part of the path per square root of a year. noise:
    standard deviation of one reading (log). temperature: change of ln(reading) per kelvin. response: response time
    when new (s). display_ratio: largest headroom ratio that the instrument can show. death_shape, death_years:
    Weibull of the age at sudden death. collapse_days: a sudden end that takes this long (lead used up), 0 = at once.
    cleanings: upward jumps per year. tolerance_pct, certified_months, fades: of its calibration gas. price: of a
    sensor. warranty_years.
    """

    name: str
    technology: str
    gas: str
    unit: str
    applied: float
    resolution: float
    curve: str
    level: float = 2.2
    level_spread: float = 0.12
    rate: float = 0.2
    rate_spread: float = 0.3
    wander: float = 0.015
    noise: float = 0.02
    temperature: float = 0.0015
    response: float = 25.0
    display_ratio: float = 3.0
    gain_limit: float = 4.0
    death_shape: float = 1.0
    death_years: float = 40.0
    collapse_days: float = 0.0
    cleanings: float = 0.0
    poisonable: bool = False
    tolerance_pct: float = 5.0
    certified_months: float = 24.0
    fades: bool = False
    price: float = 180.0
    warranty_years: float = 2.0

    def __post_init__(self) -> None:
        if self.applied <= 0 or self.resolution <= 0 or self.level <= 0:
            raise ValueError(f"{self.name}: applied, resolution and level are positive")


KINDS: tuple[SensorKind, ...] = (
    SensorKind(
        "H2S cell", "electrochemical", "H2S", "ppm", 25.0, 0.5, "exponential", rate=0.20, tolerance_pct=10.0,
        certified_months=12.0, fades=True, price=160.0,
    ),
    SensorKind("CO cell", "electrochemical", "CO", "ppm", 100.0, 1.0, "linear", rate=0.15, price=140.0),
    SensorKind(
        "SO2 cell", "electrochemical", "SO2", "ppm", 10.0, 0.1, "exponential", level=2.0, rate=0.26, tolerance_pct=10.0,
        certified_months=12.0, fades=True, price=220.0,
    ),
    SensorKind(
        "NH3 cell", "electrochemical", "NH3", "ppm", 50.0, 1.0, "knee", level=2.0, rate=0.30, noise=0.025,
        tolerance_pct=10.0, certified_months=12.0, fades=True, response=45.0, price=320.0, warranty_years=1.0,
    ),
    SensorKind(
        "O2 lead cell", "galvanic oxygen", "O2", "%vol", 18.0, 0.1, "exponential", level=1.7, level_spread=0.06,
        rate=0.03, wander=0.006, noise=0.01, response=15.0, death_shape=6.0, death_years=2.3, collapse_days=28.0,
        tolerance_pct=2.0, certified_months=36.0, price=110.0,
    ),
    SensorKind(
        "CH4 bead", "catalytic bead", "CH4", "%LEL", 50.0, 1.0, "linear", level=2.0, rate=0.13, temperature=0.0005,
        response=18.0, poisonable=True, certified_months=36.0, price=190.0, warranty_years=3.0,
    ),
    SensorKind(
        "CO2 optical", "infrared", "CO2", "%vol", 2.5, 0.01, "exponential", level=1.9, level_spread=0.08,
        rate=0.03, wander=0.008, noise=0.012, response=30.0, death_years=25.0, tolerance_pct=2.0, certified_months=36.0,
        price=420.0, warranty_years=5.0,
    ),
    SensorKind(
        "VOC lamp", "photoionisation", "C4H8", "ppm", 100.0, 1.0, "exponential", level=2.1, rate=0.38, rate_spread=0.35,
        wander=0.03, noise=0.03, response=8.0, death_shape=3.0, death_years=4.5, cleanings=0.25, price=480.0,
        warranty_years=1.0,
    ),
)  # fmt: skip

INSTRUMENTS: tuple[tuple[float, tuple[str, ...]], ...] = (
    (0.40, ("O2 lead cell", "CH4 bead", "CO cell", "H2S cell")),
    (0.14, ("H2S cell", "CO cell")),
    (0.14, ("SO2 cell",)),
    (0.12, ("NH3 cell",)),
    (0.14, ("CO2 optical",)),
    (0.08, ("VOC lamp",)),
)
"""Share of the instruments, and the sensors in them."""

MIXTURE: tuple[str, ...] = ("H2S", "CO", "CH4", "O2")
"""Gases that come from one cylinder where the scenario has mixtures."""
