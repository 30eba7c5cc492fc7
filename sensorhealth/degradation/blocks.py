"""What an estimator hands out, put together from its strata and their components."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from sensorhealth.degradation.design import FloatArray, IntArray
from sensorhealth.degradation.posterior import PathPosterior
from sensorhealth.degradation.predicting import wiggling_of
from sensorhealth.degradation.strata import StratumModel


def like(readings: pd.DataFrame, residuals: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The residual tables of all strata indexed like `readings`, NaN where a reading was not used."""
    columns: dict[str, Any] = {}
    for name in residuals[0].columns.drop("position"):
        if name in ("life_id", "log_ratio"):
            columns[name] = readings[name]
            continue
        parts = [table[name].to_numpy() for table in residuals]
        columns[name] = np.full(len(readings), np.nan, dtype=np.float64 if parts[0].dtype.kind == "f" else object)
        for table, values in zip(residuals, parts):
            columns[name][table["position"].to_numpy()] = values
    table = pd.DataFrame(columns, index=readings.index)
    table.insert(0, "row", readings["row"] if "row" in readings else np.arange(len(readings)))
    return table


def stacked_latent(model: StratumModel, parts: list[tuple[FloatArray, FloatArray]]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weight (m,), mean and variance (m, r) of latent paths under each component."""
    weight = np.array([item.weight for item in model.components])
    return weight, np.stack([mean for mean, _ in parts]), np.stack([variance for _, variance in parts])


def posterior_of(
    model: StratumModel,
    local: IntArray,
    weight: FloatArray,
    parts: list[tuple[FloatArray, FloatArray, FloatArray]],
    only: int | None = None,
    age: FloatArray | None = None,
) -> PathPosterior:
    """The posterior of lives `local` from what each component (or `only` one) says of them; age (n,): then, for what readings
    wiggle by besides."""
    chosen = model.components if only is None else model.components[only : only + 1]
    mean = np.stack([part[0] for part in parts])
    return PathPosterior(
        stratum=model.stratum.name,
        life_id=model.stratum.life_id[local],
        weight=weight,
        curve=tuple(item.fitted.curve for item in chosen),
        level=mean[..., 0],
        slope=mean[..., 1],
        covariance=np.stack([part[1] for part in parts]),
        phi_now=np.stack([part[2] for part in parts]),
        brownian=np.array([item.fitted.parameters.brownian for item in chosen]),
        residual_variance=np.array([item.fitted.parameters.residual for item in chosen]),
        degrees=np.array([item.fitted.degrees for item in chosen]),
        gas_variance=np.array([item.gas_variance for item in chosen]),
        readings_used=model.stratum.counts[local],
        wiggle=None if age is None else wiggling_of(chosen, local, age),
    )
