"""Latent paths of any lives of a very large kind, at any age."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sensorhealth.degradation.all_lines import paths_of
from sensorhealth.degradation.all_lives import AllFit, three
from sensorhealth.degradation.design import FloatArray, IntArray
from sensorhealth.degradation.effects import LOT_LEVEL, LOT_SLOPE, at_columns, bend, steps_found
from sensorhealth.degradation.predicting import Common, Component


@dataclass(frozen=True)
class AllLives(Component):
    """One curve at one set of variances, for all lives of a large kind."""

    @property
    def slack(self) -> int:
        return 0

    @cached_property
    def origin(self) -> tuple[FloatArray, FloatArray]:
        """Posterior of (level at birth, slope per unit phi): mean (n, 2), covariance (n, 2, 2)."""
        return self._all.origin

    def shared(
        self, lives: IntArray, rng: np.random.Generator, draws: int, common: Common | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """The same of `lives` (n,) given draws of what sensors share: mean (draws, n, 2), covariance (n, 2, 2).

        Shared are the common path, the lots and the shifts of each region; what is not known of single cylinders and days is
        left with each life. common: what other shards of the fleet share (the common path and the lots) is drawn from.
        """
        fitted, lot = self._all, self.stratum.lot[lives]
        mean, covariance = (part[lives] for part in fitted.origin)
        region, turn, shift, *_ = fitted.common
        region, turn = region[lives], turn[lives]
        open_ = covariance - turn @ shift[region] @ turn.transpose(0, 2, 1)
        own = _square(fitted.own[:, lives])
        held = open_ @ np.linalg.pinv(own, hermitian=True)  # share of a shift of the prior that a life takes over
        whole = rng if common is None else common.of("path")
        path = whole.multivariate_normal(np.zeros(2), fitted.fit.beta_covariance[:2, :2], draws)[:, None, :]
        path = np.repeat(path, lot.size, axis=1)
        known = np.zeros((lot.size, 2, 2)) + fitted.fit.beta_covariance[:2, :2]
        for k, name in enumerate((LOT_LEVEL, LOT_SLOPE)):
            if name in fitted.lots:
                root = np.sqrt(fitted.lots[name])
                if common is None:
                    normal = rng.standard_normal((draws, root.size))
                else:
                    lots = [common.of(f"{name} {one}").standard_normal(draws) for one in self.stratum.lots]
                    normal = np.reshape(lots, (root.size, draws)).T
                effects = np.append(root * normal, np.zeros((draws, 1)), axis=1)
                path[:, :, k] += effects[:, lot]
                known[:, k, k] += at_columns(fitted.lots[name], lot)
        root = np.linalg.cholesky(shift + 1e-18 * np.eye(2))
        shifts = (root @ rng.standard_normal((draws, root.shape[0], 2, 1)))[:, region]
        moved = (held @ path[..., None] + turn @ shifts)[..., 0]
        return mean + moved, open_ - held @ known @ held.transpose(0, 2, 1)

    @property
    def _all(self) -> AllFit:
        assert isinstance(self.fitted, AllFit)
        return self.fitted

    def latent(self, index: IntArray, age: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and variance (m,) of the latent path of lives `index` (m,) at any `age` (m,), in or after."""
        fitted, stratum = self._all, self.stratum
        lives, place = np.unique(index, return_inverse=True)
        slopes = None if fitted.slopes is None else fitted.slopes[lives]
        rows = np.concatenate([np.arange(*stratum.offsets[life : life + 2]) for life in lives] or [np.zeros(0, np.int64)])
        common = np.stack([at_columns(fitted.fit.crossed[name][0], stratum.lot[lives]) if name in fitted.fit.crossed
                           else np.zeros(lives.size) for name in (LOT_LEVEL, LOT_SLOPE)]) + fitted.fit.beta[:2, None]  # fmt: skip
        phi = fitted.curve.value(age) if slopes is None else fitted.curve.path_by_slope(slopes[place], age)
        life = np.concatenate([np.repeat(np.arange(lives.size), stratum.counts[lives]), place])
        asked = np.repeat([0.0, 1.0], [rows.size, index.size])
        g = np.concatenate([fitted.base.g[rows], phi])
        order = np.lexsort((asked, g, life))
        own = _own(fitted)[rows]
        known = np.append(fitted.parameters.residual / fitted.sites.weight[rows], np.full(index.size, np.inf))[order]
        wide = np.append(fitted.noise[rows], np.full(index.size, np.inf))[order]
        step = np.append(steps_found(stratum)[rows], np.zeros(index.size))[order]
        offsets = np.searchsorted(life[order], np.arange(lives.size + 1)).astype(np.int64)
        sensor = three(fitted.parameters.sensor)[:, None]
        narrow = paths_of(offsets, g[order], known, sensor, fitted.parameters.brownian, step)
        open_ = paths_of(offsets, g[order], wide, fitted.own[:, lives], fitted.parameters.brownian, step)
        mean, variance = np.empty(order.size), np.empty(order.size)
        to = order[narrow.order]
        mean[to], variance[to] = narrow.smoothed(np.append(own, np.zeros(index.size))[to])[0], open_.variance()
        found = mean[rows.size :] + common[0, place] + common[1, place] * phi + bend(fitted.curve, slopes, place, age)
        row = np.stack([np.ones(phi.size), phi], axis=1)[:, None]
        shift = row @ fitted.common.turn[index]
        region = fitted.common.shift[fitted.common.region[index]]
        spread = variance[rows.size :] + (shift @ region @ shift.transpose(0, 2, 1))[:, 0, 0]
        jump = np.where(age >= stratum.last_age[index], self.jump[index], 0.0)
        return found + self.share * jump, spread + self.share * (1.0 - self.share) * jump**2


def _own(fitted: AllFit) -> FloatArray:
    """Readings (N,) net of all that lives share."""
    total = fitted.sites.response - fitted.bend - fitted.base.x @ fitted.fit.beta
    for item in fitted.base.classes:
        if item.name in fitted.fit.crossed:
            part = at_columns(fitted.fit.crossed[item.name][0], item.index)
            total -= part if item.value is None else part * item.value
    return total


def _square(three: FloatArray) -> FloatArray:
    """Symmetric matrices (n, 2, 2) from 11, 12, 22 (3, n)."""
    return np.moveaxis(np.array([[three[0], three[1]], [three[1], three[2]]]), 2, 0)
