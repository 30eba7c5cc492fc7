"""Penalties that keep relative standard deviations off zero or near those of a larger group."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sensorhealth.degradation.reml_data import FloatArray

if TYPE_CHECKING:
    from sensorhealth.degradation.reml_parameters import ParameterSpace

FLOOR = 1e-8  # relative standard deviation at which the logarithm stops falling


def penalty_terms(space: ParameterSpace, phi: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Penalty on phi with gradient and curvature; l21 and ln s2 carry none."""
    penalty = space.penalty
    assert penalty is not None
    positions, centres = _penalised(space)
    value, gradient, hessian = 0.0, np.zeros(len(phi)), np.zeros((len(phi), len(phi)))
    for k, centre in zip(positions, centres):
        sd = np.copysign(max(abs(phi[k]), FLOOR), phi[k])
        off = np.log(abs(sd)) - np.log(centre) if centre > 0 else 0.0
        pull = penalty.weight if centre > 0 else 0.0
        value += -2 * penalty.boundary * np.log(abs(sd)) + pull * off * off
        gradient[k] += (-2 * penalty.boundary + 2 * pull * off) / sd
        hessian[k, k] += (2 * penalty.boundary + 2 * pull * (1 - off)) / (sd * sd)
    return float(value), gradient, hessian


def _penalised(space: ParameterSpace) -> tuple[list[int], list[float]]:
    """Positions in phi that are standard deviations, and the centre of each (0 = none)."""
    count = len(space.free_factor) + len(space.free_class) + int(space.brownian)
    centre = np.zeros(count + int(not space.profiled))
    assert space.penalty is not None
    if space.penalty.centre is not None:
        centre = np.abs(space.phi(space.penalty.centre))
    skip = 1 if space.free_factor == [0, 1, 2] else None
    positions = [k for k in range(count) if k != skip]
    if space.brownian:
        positions = positions[:-1]  # the wander may well be absent
    return positions, [float(centre[k]) for k in positions]
