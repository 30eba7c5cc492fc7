"""A correction of forecasts learnt on the user's own past: how much wider or narrower the posterior should be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from ..degradation.courses import Course
from ..degradation.knees import Knees
from ..degradation.paces import Paces
from ..degradation.places import Places
from .end_law import EndLaw, learn_end_law
from .falls import NONE, Falls
from .worn import wears_out

if TYPE_CHECKING:
    import pandas as pd

    from ..degradation import AgeingModel

Array = NDArray[np.float64]

_PRIOR_SD = 0.25  # of the log factor: without evidence the model's own spread stands
_LARGEST = np.log(3.0)


@dataclass(frozen=True)
class Calibration:
    """Factors on the standard deviation of the latent path, one for all strata or one for each.

    overall: factor where a stratum has none of its own. by_stratum: stratum -> factor. readings: next readings it was
    learnt from. note: one sentence for the report. paces: stratum -> law of paces, factors on the slope of the paths from now
    on (see `degradation.paces`); knees: stratum -> knees yet to come (`degradation.knees`); places: stratum -> where each
    sensor's own knee lies (`degradation.places`); courses: stratum -> how far its course is known (`degradation.courses`);
    end_law: how soft ends came against what paths foretold (`life.end_law`), None with too few; where a stratum has it, its
    paces, knees and course are in it, and it stands on its places. All are learnt from the records at hand by every analysis.
    """

    overall: float = 1.0
    by_stratum: Mapping[str, float] = field(default_factory=dict)
    readings: int = 0
    note: str = "No correction: nothing in the past to learn one from."
    paces: Mapping[str, Paces] = field(default_factory=dict)
    knees: Mapping[str, Knees] = field(default_factory=dict)
    places: Mapping[str, Places] = field(default_factory=dict)
    courses: Mapping[str, Course] = field(default_factory=dict)
    end_law: EndLaw | None = None

    @property
    def corrects(self) -> bool:
        """Whether any forecast changes."""
        return self.overall != 1.0 or any(value != 1.0 for value in self.by_stratum.values())

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the records at hand taught, in words."""
        told = [self.note] if self.corrects else []
        if self.paces:
            kinds = [f"{name} {np.exp(item.spread):.1f} ({item.foretold} sensors)" for name, item in self.paces.items()]
            told.append(
                "Sensors went on faster or slower than the beginnings of their records foretold, and remaining life is spread "
                f"accordingly; usual factor either way: {'; '.join(kinds)}"
            )
        if self.places:
            kinds = [f"{name} {np.exp(item.spread):.1f}" for name, item in self.places.items()]
            told.append(
                "Sensors of these kinds have each a knee of its own, sooner or later than the curve of their kind says, and "
                f"remaining life is told accordingly; usual factor on the loss at the knee, either way: {'; '.join(kinds)}"
            )
        if self.knees:
            kinds = [f"{name} {100 * item.chance.sum():.0f} %" for name, item in self.knees.items()]
            told.append(
                "Too few sensors of these kinds have come to their end yet: that the loss speeds up (a knee) cannot be excluded, "
                f"and remaining life is spread towards sooner ends; chance of a knee: {'; '.join(kinds)}"
            )
        if self.courses:
            kinds = [f"{name} {100 * -np.expm1(-item.reached):.0f} %" for name, item in self.courses.items()]
            told.append(
                "How these kinds lose is known only as far as their sensors have come; beyond it the loss may speed up or slow "
                "down, and remaining life is spread accordingly, mostly towards sooner ends; headroom lost by those furthest on: "
                f"{'; '.join(kinds)}"
            )
        return (*told, *([] if self.end_law is None else [self.end_law.remark]))

    def with_past_of(self, own: Calibration) -> Calibration:
        """This correction of the spread with what the records at hand taught another one."""
        return replace(self, paces=own.paces, knees=own.knees, places=own.places, courses=own.courses, end_law=own.end_law)

    def factor(self, stratum: str) -> float:
        """Factor on the latent standard deviation of this stratum; 1 leaves the model's own."""
        return float(self.by_stratum.get(stratum, self.overall))


def with_own_past(
    calibration: Calibration | None,
    ageing: AgeingModel,
    lives: pd.DataFrame,
    readings: pd.DataFrame,
    as_of: pd.Timestamp,
    margin: float,
    falls: Falls = NONE,
) -> Calibration:
    """The calibration (None for none) with what the records up to the as-of date teach by themselves; falls: at once, to come."""
    worn = set(lives["stratum"][wears_out(lives)])
    places = {name: item for name, item in ageing.places().items() if name in worn}
    paces = {name: item for name, item in ageing.paces().items() if name in worn}
    alone = {name: item for name, item in paces.items() if name not in places}  # beside knees ends tell more than paces
    law = learn_end_law(ageing, lives, readings, as_of, margin, alone, places, falls)
    told = set() if law is None else set(law.share)
    limit = float(np.log1p(margin))
    knees = {name: item for name, item in ageing.knees(limit).items() if name in worn - told}
    courses = {name: item for name, item in ageing.courses(limit).items() if name in worn - told}
    return replace(calibration or Calibration(), paces=paces, knees=knees, places=places, courses=courses, end_law=law)


def learn_factor(
    error: Array, latent_sd: Array, reading_sd: Array, together: NDArray[np.integer[Any]] | None = None
) -> tuple[float, float]:
    """The factor f that makes past forecasts of readings most likely, and the standard error of its log.

    error: (n,) reading less forecast. latent_sd: (n,) standard deviation of the latent forecast. reading_sd: (n,) of
    everything that a reading adds (noise, gas). The variance of an error is f^2 latent_sd^2 + reading_sd^2; a normal
    prior on log f with standard deviation 0.25 keeps it near 1 where there is little evidence, and errors beyond four
    standard deviations count as four so that a few odd readings do not widen every forecast. together: (n,) codes of the
    readings that err together (one cylinder, one session); the standard error then allows for it (sandwich estimator: White
    1982, Econometrica 50:1-25), for a hundred sensors on one weak cylinder are one surprise and not a hundred.
    """
    noise = np.asarray(reading_sd, dtype=float) ** 2
    latent = np.asarray(latent_sd, dtype=float) ** 2
    squared = np.minimum(np.asarray(error, dtype=float) ** 2, 16.0 * (latent + noise))

    def deviance(log_factor: float) -> float:
        variance = np.exp(2 * log_factor) * latent + noise
        return float(np.sum(np.log(variance) + squared / variance) + (log_factor / _PRIOR_SD) ** 2)

    best = float(minimize_scalar(deviance, bounds=(-_LARGEST, _LARGEST), method="bounded").x)
    step = 1e-3
    bend = (deviance(best + step) - 2 * deviance(best) + deviance(best - step)) / step**2
    apart = 2.0 / max(bend, 1e-6)
    if together is None:
        return float(np.exp(best)), float(np.sqrt(apart))
    wide = np.exp(2 * best) * latent
    pull = 2.0 * wide / (wide + noise) * (1.0 - squared / (wide + noise))
    common = float(np.sum(np.bincount(together, pull) ** 2)) / max(bend, 1e-6) ** 2
    return float(np.exp(best)), float(np.sqrt(max(apart, common)))
