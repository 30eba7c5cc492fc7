"""Fits of small fleets and of fleets whose true variances are zero: how many fail to converge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sensorhealth.degradation.reml import CrossedClass, CrossedData, Penalty, fit


@dataclass(frozen=True)
class Setting:
    """Standard deviations of level, slope and cylinder, correlation, wander variance; sensors x readings, cylinders."""

    level: float = 0.1
    slope: float = 0.02
    correlation: float = -0.3
    gas: float = 0.02
    wander: float = 0.0
    sensors: int = 10
    readings: int = 6
    cylinders: int = 4
    fit_wander: bool = False


SETTINGS = {
    "ten sensors": Setting(),
    "ten sensors, no gas effect": Setting(gas=0.0),
    "ten sensors, one slope": Setting(slope=0.0, correlation=0.0),
    "ten sensors, one level": Setting(level=0.0, correlation=0.0),
    "ten sensors, level tells slope": Setting(correlation=1.0),
    "ten sensors, noise only": Setting(level=0.0, slope=0.0, correlation=0.0, gas=0.0),
    "ten sensors that wander": Setting(wander=0.001, readings=8, fit_wander=True),
    "ten sensors, wander fitted to none": Setting(readings=8, fit_wander=True),
    "hundred sensors, no gas effect": Setting(gas=0.0, sensors=100, readings=8, cylinders=10),
    "hundred sensors, noise only": Setting(0.0, 0.0, 0.0, 0.0, sensors=100, readings=8, cylinders=10),
}


def draw(setting: Setting, rng: np.random.Generator) -> CrossedData:
    """Readings of one fleet."""
    n, m = setting.sensors, setting.readings
    g = np.sort(rng.uniform(0, 3, (n, m)), axis=1)
    z = rng.standard_normal((n, 2))
    r = setting.correlation
    a = setting.level * z[:, :1]
    b = setting.slope * (r * z[:, :1] + np.sqrt(1 - r * r) * z[:, 1:])
    cylinder = rng.integers(0, setting.cylinders, (n, m))
    gas = setting.gas * rng.standard_normal(setting.cylinders)
    step = np.sqrt(setting.wander * np.diff(g, axis=1, prepend=0.0))
    wander = np.cumsum(step * rng.standard_normal((n, m)), axis=1)
    y = 0.6 - 0.06 * g + a + b * g + gas[cylinder] + wander + 0.03 * rng.standard_normal((n, m))
    classes = (CrossedClass("gas", cylinder.ravel(), None, setting.cylinders),)
    x = np.column_stack((np.ones(n * m), g.ravel()))
    return CrossedData(y.ravel(), x, np.arange(n + 1) * m, g.ravel(), None, classes)


def count_failures(fleets: int, seed: int) -> pd.DataFrame:
    """Fit `fleets` fleets spread over the settings, without and with the boundary-avoiding penalty."""
    rows = []
    for number, (name, setting) in enumerate(SETTINGS.items()):
        rng = np.random.default_rng((seed, number))
        share = fleets // len(SETTINGS) + (number < fleets % len(SETTINGS))
        for penalty in (None, Penalty()):
            fits = [fit(draw(setting, rng), brownian=setting.fit_wander, penalty=penalty) for _ in range(share)]
            evaluations = [found.evaluations for found in fits]
            rows.append(
                {
                    "fleet": name,
                    "penalty": penalty is not None,
                    "fleets": share,
                    "not_converged": sum(not found.converged for found in fits),
                    "evaluations_mean": float(np.mean(evaluations)),
                    "evaluations_most": max(evaluations),
                }
            )
    return pd.DataFrame(rows)
