"""Fleets drawn from the model, as arrays, for the studies of comparisons."""

from __future__ import annotations

import numpy as np

from sensorhealth.compare.groups import Grouped, fit_groups
from sensorhealth.compare.wald import Wald
from sensorhealth.degradation.reml_data import CrossedClass, CrossedData
from sensorhealth.synthetic import ModelArrays, ModelSizes, simulate_arrays

SIZES = ModelSizes(correlation=-0.3)


def arrays(fleet: ModelArrays, keep: np.ndarray | None = None) -> CrossedData:
    """The kernel's arrays of a drawn fleet, or of the readings to keep."""
    keep = np.ones(fleet.y.size, bool) if keep is None else keep
    offsets = np.concatenate([[0], np.cumsum(np.add.reduceat(keep, fleet.offsets[:-1]))])
    g = fleet.t[keep]
    cylinders = CrossedClass("cylinder", fleet.cylinder[keep], None, fleet.cylinder_effect.size)
    return CrossedData(fleet.y[keep], np.column_stack([np.ones(g.size), g]), offsets, g, None, (cylinders,))


def unbalanced_fleet(seed: int, sensors: int, readings: int, lots: int, sizes: ModelSizes = SIZES) -> ModelArrays:
    """Three regions with cylinders of their own, half of the sensors in lots that follow the region."""
    return simulate_arrays(
        sensors, readings, rng=np.random.default_rng(seed), lots=lots, region=max(sensors // 3, 1), cylinder_uses=25,
        lots_by_region=0.5, stagger_years=1.5, sizes=sizes,
    )  # fmt: skip


def removed_when_low(fleet: ModelArrays, limit: float) -> np.ndarray:
    """Readings that are kept when a sensor leaves after its first reading below `limit`."""
    sensors = fleet.offsets.size - 1
    low = (fleet.y < limit).reshape(sensors, -1)
    last = np.where(low.any(1), low.argmax(1), low.shape[1] - 1)
    return (np.arange(low.shape[1]) <= last[:, None]).ravel()


def fitted(fleet: ModelArrays, lots: int, keep: np.ndarray | None = None) -> Grouped:
    """Lots adjusted for region."""
    return fit_groups(arrays(fleet, keep), fleet.lot, lots, (fleet.region,))


def against_rest(grouped: Grouped, lot: int, columns: np.ndarray) -> Wald | None:
    """The contrast of one lot with the others, None where it cannot be made."""
    rest = grouped.rest(lot, columns) if columns[lot] >= 0 else None
    return None if rest is None else grouped.contrasts(grouped.rows(columns[lot : lot + 1])[0] - rest)
