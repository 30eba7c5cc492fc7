"""Soft ends of lives of one kind: several posteriors of their paths side by side, with falls at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..degradation.paces import STEADY
from .calibration import Calibration
from .end_law import AT_LIMIT
from .falls import FallLaw, fallen, weights_of
from .lifedata import DAYS_PER_YEAR, years_between
from .soft import nearer, paced_cdf, thinned

if TYPE_CHECKING:
    from ..degradation.posterior import PathPosterior

Array = NDArray[np.float64]

_PLAIN = Calibration()


class SoftEnds(NamedTuple):
    """Cumulative chances (k, n, m) of ends by the path and by falls at once, and by the path if no fall came; no other ends. The
    last two are None where no falls count."""

    worn: Array
    struck: Array | None
    spared: Array | None


def _end_to_end(paths: Sequence[PathPosterior]) -> PathPosterior:
    """Posteriors on one curve each, the same, as one of all their lives; brownian (1, n): of each life."""
    size = len(paths[0].life_id)
    return replace(
        paths[0],
        life_id=np.concatenate([path.life_id for path in paths]),
        level=np.concatenate([path.level for path in paths], axis=1),
        slope=np.concatenate([path.slope for path in paths], axis=1),
        phi_now=np.concatenate([path.phi_now for path in paths], axis=1),
        covariance=np.concatenate([path.covariance for path in paths], axis=1),
        brownian=np.repeat([path.brownian[0] for path in paths], size)[None],
        readings_used=np.concatenate([path.readings_used for path in paths]),
    )


def soft_of_several(
    paths: Sequence[PathPosterior],
    laws: Sequence[FallLaw | None],
    ages: Array,
    gap: Array,
    days: Array,
    margin: float,
    lives: pd.DataFrame,
    as_of: pd.Timestamp,
    calibration: Calibration | None,
) -> SoftEnds:
    """Ends (k, n, m) of several posteriors of the same lives, with falls by each one's law; those on the same curve are worked
    out side by side. gap: (n,) days as of `unseen`."""
    shape = len(paths), ages.size, days.size
    fall = next((law for law in laws if law is not None), None)
    sites = lives["site"].where(lives["current"].astype(bool)) if {"site", "current"} <= set(lives) else None
    nodes = AT_LIMIT if fall is None else fall.nodes(max(path.highest for path in paths) - float(np.log1p(margin)))
    out = SoftEnds(np.empty(shape), *(None if fall is None else np.empty(shape) for _ in range(2)))
    alike: dict[object, list[int]] = {}
    for k, path in enumerate(paths):
        alike.setdefault(path.curve[0] if len(path.curve) == 1 else k, []).append(k)
    for where in alike.values():
        own = [paths[k] for k in where]
        many = np.tile(np.arange(ages.size), len(own))
        one, rows = (own[0], lives) if len(own) == 1 else (_end_to_end(own), lives.iloc[many])
        told = _soft(one, ages[many], days, margin, rows, as_of, calibration, nodes)
        chances = (cdf.reshape(len(own), *shape[1:]) for cdf in told)
        if out.struck is None or out.spared is None:
            out.worn[where] = next(chances)
            continue
        every = list(chances)
        out.spared[where] = every[0]
        out.worn[where], out.struck[where] = fallen(every, weights_of([laws[k] for k in where], days, gap, nodes, sites))
    return out


def unseen(lives: pd.DataFrame, ages: Array, as_of: pd.Timestamp) -> Array:
    """Days (n,) since the last gas test, or since it was new, in which a fall may have come that no reading shows yet."""
    days = ages * DAYS_PER_YEAR
    if "last_test" in lives:
        days = np.fmin(years_between(pd.to_datetime(lives["last_test"]), as_of) * DAYS_PER_YEAR, days)
    return np.maximum(days, 0.0)


def _soft(
    path: PathPosterior,
    ages: Array,
    days: Array,
    margin: float,
    lives: pd.DataFrame,
    as_of: pd.Timestamp,
    calibration: Calibration | None,
    nodes: Array,
) -> Iterator[Array]:
    """Chance (n, m) to have come within each of `nodes` (k,) of the end, with what the past of the stratum has taught."""
    known, name = calibration or _PLAIN, path.stratum
    places = known.places.get(name)
    if known.end_law is not None and name in known.end_law.share:
        yield from known.end_law.soft(path, ages, days, margin, lives, as_of, places, nodes)
        return
    own = known.paces.get(name, STEADY), known.knees.get(name), places, known.courses.get(name)

    def at(when: Array, limit: float) -> Array:
        return paced_cdf(path, ages, when, limit, *own)

    yield at(days, margin)
    yield from (thinned(at, days, nearer(margin, node)) for node in nodes[1:])
