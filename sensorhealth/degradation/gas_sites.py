"""Kernel: the normal that stands for a mixture of two in the prior of many effects, by expectation propagation.

    effect_k ~ (1 - share) N(0, ordinary unit_k^2) + share N(centre, wide_k^2)

The readings say N(value, sampling) of an effect, all other effects' priors counted (the cavity). The normal put in the
mixture's place gives the effect the mean and the variance that the mixture would (Minka 2001, "Expectation propagation for
approximate Bayesian inference", UAI 17:362-369), but its own variance is never larger than the mean of the two groups' by
their weights: where either answer is possible, the mixture's variance would need a negative precision. Where that leaves a
normal that lies off both groups by more than its own width, it is the groups' mean by precision instead (mean field): the
variances of the crossed model are searched for with these normals as priors, and one far off would widen all. `ordinary` and
`share` are learnt from all effects by EM, with what is believed beforehand as pseudo-observations (the two-groups model: see
health/two_groups.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensorhealth.degradation.design import FloatArray
from sensorhealth.health.two_groups import ORDINARY_WEIGHT, SHARE_WEIGHT

BoolArray = NDArray[np.bool_]
STEPS = 20  # of EM
LEAST = 1e-3  # part of the usual standard deviation that the ordinary one never goes below


@dataclass(frozen=True)
class Mixture:
    """Two normals for each of C effects, and what is believed of them beforehand.

    unit (C,): scale of the ordinary ones; usual: their variance in units of unit^2; share, centre, wide (C,): of the others.
    own (C,): the effects that may be other than ordinary.
    """

    unit: FloatArray
    usual: float
    share: float
    centre: float
    wide: FloatArray
    own: BoolArray


@dataclass(frozen=True)
class Site:
    """The normals in the mixture's place: mean (C,), variance (C,); `ordinary` and `share` of the mixture as learnt."""

    mean: FloatArray
    variance: FloatArray
    ordinary: float
    share: float

    @property
    def width(self) -> FloatArray:
        """Standard deviation (C,) in units of the ordinary one."""
        return np.sqrt(self.variance / self.ordinary)


def first_site(mixture: Mixture, ordinary: float) -> Site:
    """One normal for all."""
    return Site(np.zeros(mixture.unit.size), ordinary * mixture.unit**2, ordinary, mixture.share)


def revised(mixture: Mixture, site: Site, deviation: FloatArray, variance: FloatArray) -> Site:
    """The next site from the effects' posterior (C,) with the present one: deviation from its mean, variance."""
    told = mixture.own & (variance < site.variance * (1.0 - 1e-6))
    with np.errstate(divide="ignore", invalid="ignore"):
        sampling = np.where(told, 1.0 / (1.0 / variance - 1.0 / site.variance), 1.0)
        value = np.where(told, site.mean + deviation * sampling / variance, 0.0)
    ordinary, share = site.ordinary, site.share
    for _ in range(STEPS):
        weight, mean, square = _groups(mixture, ordinary, share, value, sampling, told)
        around = ((mean[0] ** 2 + square[0]) / mixture.unit**2)[told]
        sure, odd = weight[0][told], float(weight[1][told].sum())
        ordinary = float((sure @ around + ORDINARY_WEIGHT * mixture.usual) / (sure.sum() + ORDINARY_WEIGHT))
        ordinary = max(ordinary, LEAST**2 * mixture.usual)
        share = (odd + SHARE_WEIGHT * mixture.share) / (sure.size + SHARE_WEIGHT)
    weight, mean, square = _groups(mixture, ordinary, share, value, sampling, told)
    middle = (weight * mean).sum(axis=0)
    spread = (weight * (square + (mean - middle) ** 2)).sum(axis=0)
    usual = ordinary * mixture.unit**2
    prior = np.stack([usual, mixture.wide**2])
    least = 1.0 / (weight * prior).sum(axis=0)
    width = 1.0 / np.maximum(1.0 / spread - np.where(told, 1.0 / sampling, 0.0), least)
    centre = np.where(told, (middle * (width + sampling) - value * width) / sampling, middle)
    aside = np.abs(centre - np.clip(centre, min(mixture.centre, 0.0), max(mixture.centre, 0.0))) > np.sqrt(width)
    precision = weight / prior
    width = np.where(aside, 1.0 / precision.sum(axis=0), width)
    centre = np.where(aside, precision[1] * mixture.centre * width, centre)
    own = mixture.own
    return Site(np.where(own, centre, 0.0), np.where(own, np.maximum(width, usual), usual), ordinary, share)


def moved(old: Site, new: Site) -> float:
    """Largest move of a mean, in standard deviations of its site, or of a standard deviation, relative."""
    change = np.sqrt(old.variance / new.variance)
    off = np.abs(new.mean - old.mean) / np.sqrt(new.variance)
    return float(np.maximum(off, np.abs(change - 1.0)).max(initial=0.0))


def _groups(
    mixture: Mixture, ordinary: float, share: float, value: FloatArray, sampling: FloatArray, told: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weight, mean and variance (2, C) of each effect as an ordinary and as another one, given what the readings say."""
    prior = np.stack([ordinary * mixture.unit**2, mixture.wide**2])
    place = np.array([[0.0], [mixture.centre]])
    off, total = value - place, prior + sampling
    log = np.log([[1.0 - share], [share]]) - np.where(told, 0.5 * (np.log(total) + off**2 / total), 0.0)
    weight = np.exp(log - log.max(axis=0))
    gain = np.where(told, prior / total, 0.0)
    return weight / weight.sum(axis=0), place + gain * off, np.where(told, gain * sampling, prior)
