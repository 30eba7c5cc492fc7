"""The ageing model as an estimator: readings and lives in, latent paths with their uncertainty out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
import pandas as pd
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from sensorhealth.degradation import tables
from sensorhealth.degradation.blocks import like, posterior_of, stacked_latent
from sensorhealth.degradation.courses import Course, courses_of
from sensorhealth.degradation.design import FloatArray, IntArray
from sensorhealth.degradation.frames import build
from sensorhealth.degradation.knees import Knees, later_knees
from sensorhealth.degradation.large import taught, with_all_lives
from sensorhealth.degradation.mixture import moments, quantile
from sensorhealth.degradation.paces import Paces, known_until, learn_paces
from sensorhealth.degradation.part import like_none
from sensorhealth.degradation.places import Places, places_of
from sensorhealth.degradation.posterior import PathPosterior
from sensorhealth.degradation.predicting import Common, latent_moments, reading_variance
from sensorhealth.degradation.reading_law import Mixture, ReadingLaw, learn_law, reading_terms
from sensorhealth.degradation.strata import Sessions, Settings, StratumModel, fit_strata, refit_at
from sensorhealth.degradation.told import Told
from sensorhealth.errors import FitError
from sensorhealth.threads import one_thread

Lives = pd.DataFrame | Sequence[str]


class AgeingModel(Told, BaseEstimator):
    """Ageing of all sensors of a fleet at once: crossed random lines by restricted maximum likelihood.

    For reading j of sensor i on cylinder k, in ln headroom ratio,
    ``y = x'beta + a_i + b_i phi(age) + W_i(phi) + c_k + d_k (years since opened) + session + noise``;
    c_k, d_k: ordinary gas and a few odd or fading cylinders (degradation/gas.py). One stratum (technology x gas) has its own
    variances, noise and ageing curve phi (curves: degradation/curves; arithmetic: degradation/reml.py).

    Parameters
    ----------
    curves: "average" weighs all ageing curves by their evidence; the name of a family ("exponential", ...) takes that
    one. noise: "student" lets the readings choose heavy tails, "gaussian" does not.
    brownian: "auto" keeps a wander where the likelihood asks for it; True, False.
    method: "REML" or "ML". lots: "shrunken" or "none". sessions, fade: effects of sessions ("large": only where
    they make up half of what readings scatter by, or stand in for the gas) and of fading cylinders.
    parameter_uncertainty: "auto" averages small strata over their variance parameters; True, False.
    most_lives: sensors of a stratum beyond which curve, tails and variances are those of a random part of them, part_lives
    many; all readings of all sensors then enter the posteriors at these (degradation/large.py).
    random_state: seed of those draws, and of the part.

    Attributes (tables: see degradation/tables.py)
    ----------
    strata_, fixed_effects_, variance_parameters_, curves_, cylinder_effects_, session_effects_, lot_effects_,
    residuals_, notes_ (what could not be told apart, in words).
    """

    def __init__(
        self,
        curves: str = "average",
        noise: Literal["student", "gaussian"] = "student",
        brownian: Literal["auto"] | bool = "auto",
        method: Literal["REML", "ML"] = "REML",
        lots: Literal["shrunken", "none"] = "shrunken",
        sessions: Sessions = True,
        fade: bool = True,
        parameter_uncertainty: Literal["auto"] | bool = "auto",
        most_lives: int = 2000,
        part_lives: int = 1000,
        random_state: int = 0,
    ) -> None:
        self.curves = curves
        self.noise = noise
        self.brownian = brownian
        self.method = method
        self.lots = lots
        self.sessions = sessions
        self.fade = fade
        self.parameter_uncertainty = parameter_uncertainty
        self.most_lives = most_lives
        self.part_lives = part_lives
        self.random_state = random_state

    def _settings(self) -> Settings:
        return Settings(
            curves=self.curves,
            degrees=None if self.noise == "student" else np.inf,
            wander=None if self.brownian == "auto" else bool(self.brownian),
            method=self.method,
            lots=self.lots == "shrunken",
            sessions=self.sessions,
            fade=self.fade,
            draws=None if self.parameter_uncertainty == "auto" else bool(self.parameter_uncertainty),
            seed=self.random_state,
            most_lives=self.most_lives,
            part_lives=self.part_lives,
        )

    @one_thread
    def fit(
        self,
        readings: pd.DataFrame,
        lives: pd.DataFrame,
        cylinders: pd.DataFrame | None = None,
        steps: pd.DataFrame | None = None,
    ) -> AgeingModel:
        """Fit to the frames of the health room (`health.readings`, `health.lives`).

        cylinders: cylinder_id, gas, tolerance_pct (optional prior widths). steps: life_id, time_after (optional: known
        losses and gains that stay). Raises FitError where the frames cannot be used.
        """
        settings = self._settings()
        self._keep(fit_strata(build(readings, lives, cylinders, steps), settings), readings, lives, cylinders, steps)
        return self

    def _keep(
        self,
        fitted: dict[str, StratumModel],
        readings: pd.DataFrame,
        lives: pd.DataFrame,
        cylinders: pd.DataFrame | None,
        steps: pd.DataFrame | None,
    ) -> None:
        """Set the learned attributes."""
        self.strata_ = {name: fitted[name] for name in sorted(fitted)}
        self._laws: dict[str, ReadingLaw] = {}
        self._known_laws: dict[str, ReadingLaw] | None = None
        self._frames = (readings, lives, cylinders, steps)
        self._index = pd.Index(np.concatenate([item.stratum.life_id for item in self.strata_.values()]))
        self._stratum_code = np.repeat(np.arange(len(fitted)), [m.stratum.life_id.size for m in self.strata_.values()])
        self._local = np.concatenate([np.arange(m.stratum.life_id.size) for m in self.strata_.values()])
        residuals = [tables.residual_table(item.stratum, item.modes) for item in self.strata_.values()]
        self.residuals_ = like(readings, residuals)
        self._forget()

    @one_thread
    def update(self, new_readings: pd.DataFrame) -> AgeingModel:
        """A model with further readings at the present variances, curves and weights: no search, the posteriors move.

        new_readings: as in `fit`, of lives that the model knows; new cylinders, sessions and lots may occur.
        """
        check_is_fitted(self, "strata_")
        old, lives, cylinders, steps = self._frames
        readings = pd.concat([old, new_readings], ignore_index=True)
        settings = self._settings()
        strata = build(readings, lives, cylinders, steps, {name: item.bare for name, item in self.strata_.items()})
        other = AgeingModel(**self.get_params())
        other._keep(
            {name: refit_at(item, strata[name], settings) for name, item in self.strata_.items()},
            readings, lives, cylinders, steps,
        )  # fmt: skip
        return other

    @one_thread
    def for_others(
        self,
        readings: pd.DataFrame,
        lives: pd.DataFrame,
        cylinders: pd.DataFrame | None = None,
        steps: pd.DataFrame | None = None,
    ) -> AgeingModel:
        """The model of other lives of the same kinds, at this one's curves, variances and laws of readings (frames as in `fit`).

        What this model knows of the path common to a kind stands beside the new readings; their sensors, cylinders, days and
        lots are told by these alone. Raises FitError for a kind that is not known.
        """
        check_is_fitted(self, "strata_")
        settings = self._settings()
        known = {name: like_none(item.told.bare) for name, item in self.strata_.items()}
        strata = build(readings, lives, cylinders, steps, known)
        unknown = sorted(set(strata) - set(known))
        if unknown:
            raise FitError(f"the model knows no {unknown[0]}; fit it on readings of that kind too")
        other = AgeingModel(**self.get_params())
        fitted = {}
        for name, bare in strata.items():
            item = self.strata_[name].told
            fitted[name] = refit_at(item, bare, settings) if item.given else with_all_lives(item, bare, elsewhere=True)
        other._keep(fitted, readings, lives, cylinders, steps)
        other._known_laws = self.reading_laws() if self._known_laws is None else self._known_laws
        return other

    def _where(self, lives: Lives) -> tuple[IntArray, IntArray]:
        """Stratum code and position within it of each life asked for."""
        check_is_fitted(self, "strata_")
        ids = lives["life_id"] if isinstance(lives, pd.DataFrame) else pd.Index(np.asarray(lives, dtype=object))
        found = self._index.get_indexer(pd.Index(ids))
        if (found < 0).any():
            raise FitError(
                f"life {ids[int(np.argmax(found < 0))]!r} is not in the lives that the model was fitted on; "
                "fit with a lives frame that contains it (it may have no readings)"
            )
        return self._stratum_code[found].astype(np.int64), self._local[found].astype(np.int64)

    def _by_stratum(self, lives: Lives, age_years: Any) -> list[tuple[StratumModel, IntArray, IntArray, FloatArray]]:
        """(stratum, positions in the question, lives within the stratum, ages) for each stratum asked about."""
        code, local = self._where(lives)
        age = np.broadcast_to(np.asarray(age_years, dtype=float), code.shape)
        out = []
        for k, model in enumerate(self.strata_.values()):
            here = np.flatnonzero(code == k)
            if here.size:
                out.append((model, here, local[here], age[here]))
        return out

    def predict(self, life_ids: Lives, age_years: Any) -> pd.DataFrame:
        """Latent path at any age: life_id, age_years, mean (ln headroom ratio), sd_latent, sd_reading.

        age_years: one number or one for each life. Within the history the path is smoothed; beyond it, forecast. A life
        without readings gets its lot's forecast. sd_reading: of a reading then, new cylinder and tails included.
        """
        blocks = []
        for model, here, local, age in self._by_stratum(life_ids, age_years):
            middle, spread = latent_moments(model.modes, model.components, local, age)
            widening = np.array([item.weight for item in model.components]) @ reading_variance(model.components)
            blocks.append(
                pd.DataFrame(
                    {
                        "life_id": model.stratum.life_id[local], "age_years": age, "mean": middle,
                        "sd_latent": np.sqrt(spread), "sd_reading": np.sqrt(spread + widening),
                    },
                    index=here,
                )
            )  # fmt: skip
        return tables.stacked(
            blocks or [tables.none("life_id", "age_years", "mean", "sd_latent", "sd_reading")], ignore_index=False
        ).sort_index()

    def next_reading(self, life_ids: Lives, age_years: Any) -> pd.DataFrame:
        """The next recorded reading at `age_years`: life_id, age_years, mean, sd, p05, p50, p95 (ln headroom ratio), by
        `reading_laws`: the model, and the last value as far as it has foretold readings well."""
        blocks = []
        for model, here, local, age in self._by_stratum(life_ids, age_years):
            mixture = self._reading_mixture(model, local, age)
            middle, spread = moments(*mixture)
            columns: dict[str, Any] = {"life_id": model.stratum.life_id[local], "age_years": age, "mean": middle}
            columns["sd"] = np.sqrt(spread)
            columns |= {f"p{round(100 * chance):02d}": quantile(*mixture, chance) for chance in (0.05, 0.5, 0.95)}
            blocks.append(pd.DataFrame(columns, index=here))
        return tables.stacked(
            blocks or [tables.none("life_id", "age_years", "mean", "sd", "p05", "p50", "p95")], ignore_index=False
        ).sort_index()

    def reading_laws(self) -> dict[str, ReadingLaw]:
        """The law of the next reading of each stratum, learnt from how well its earlier readings were foretold."""
        check_is_fitted(self, "strata_")
        return {name: self._law(name) for name in self.strata_}

    def paces(self) -> dict[str, Paces]:
        """How far paths leave the course that was foretold of them long before, by stratum (the steady ones left out)."""
        check_is_fitted(self, "strata_")
        found = {name: learn_paces(model.looked_back) for name, model in self.strata_.items()}
        return {name: item for name, item in found.items() if item.factor.size > 1}

    def knees(self, limit: float) -> dict[str, Knees]:
        """Knees yet to come that the readings cannot exclude, by stratum; limit: ln headroom ratio at the end."""
        return later_knees(self.strata_.values(), limit)

    def courses(self, limit: float) -> dict[str, Course]:
        """How far the loss of each stratum is known, those known to their limit left out; limit: ln headroom ratio at the end."""
        return courses_of(self.strata_.values(), limit)

    def places(self) -> dict[str, Places]:
        """Where each sensor's own knee lies beside that of its kind, by stratum; those without left out."""
        check_is_fitted(self, "strata_")
        return places_of(self.strata_.values())

    def known_until(self, age_years: pd.Series) -> dict[str, tuple[PathPosterior, FloatArray]]:
        """Paths as known from the readings of each life up to an age (index life_id), and its age then, by stratum."""
        return known_until(self.strata_.values(), age_years)

    def _law(self, stratum: str) -> ReadingLaw:
        if stratum not in self._laws:
            known = None if self._known_laws is None else self._known_laws[stratum]
            self._laws[stratum] = learn_law(self.strata_[stratum], known)
        return self._laws[stratum]

    def _reading_mixture(self, model: StratumModel, local: IntArray, age: FloatArray) -> Mixture:
        """Mixture of normals of the next reading of lives `local` at `age`."""
        latent = stacked_latent(model, [item.as_read(local, age) for item in model.components])
        return self._law(model.stratum.name).reading(model.stratum.life_id[local], age, latent, *reading_terms(model.components))

    def path_posterior(self, lives: Lives, age_years: Any) -> list[PathPosterior]:
        """What is known of the latent paths at `age_years` (not before the last reading), one block per stratum."""
        blocks = []
        for model, _, local, age in self._by_stratum(lives, age_years):
            parts = [item.at(local, age, *(array[local] for array in item.origin)) for item in model.components]
            blocks.append(posterior_of(model, local, np.array([item.weight for item in model.components]), parts, age=age))
        return blocks

    def kinds_alone(self, *, laws: bool = True) -> AgeingModel:
        """What `for_others` needs of this model and nothing else: small enough to be handed to other processes.

        laws: whether the laws of the next reading go with it; without them the others' model cannot tell it.
        """
        other = AgeingModel(**self.get_params())
        other.strata_ = {name: taught(item.told) for name, item in self.strata_.items()}
        known = {} if self._known_laws is None else self._known_laws
        other._known_laws = self.reading_laws() if laws and self._known_laws is None else known
        return other

    def shared_draws(
        self, lives: Lives, age_years: Any, n_draws: int, rng: np.random.Generator, *, worlds: int | None = None
    ) -> list[list[PathPosterior]]:
        """For each stratum, `n_draws` posteriors conditional on a draw of all that sensors share.

        One draw: a component (curve and variances) by its weight, then fixed effects, lots and cylinders given it;
        sensors are independent given the draw, so counts over a fleet are mixtures over draws. worlds: seed of what other
        shards of the fleet share (components, common paths, lots); None where there are none, and all is drawn from `rng`.
        """
        blocks = []
        for model, _, local, age in self._by_stratum(lives, age_years):
            weight = np.array([item.weight for item in model.components])
            common = None if worlds is None else Common(worlds, model.stratum.name)
            times = (rng if common is None else common.of("components")).multinomial(n_draws, weight / weight.sum())
            drawn: list[PathPosterior] = []
            for k, item in enumerate(model.components):
                if times[k]:
                    mean, covariance = item.shared(local, rng, int(times[k]), None if common is None else common.part(k))
                    for one in mean:
                        part = item.at(local, age, one, covariance)
                        drawn.append(posterior_of(model, local, np.ones(1), [part], only=k))
            order = (rng if common is None else common.of("order")).permutation(n_draws)
            blocks.append([drawn[k] for k in order])
        return blocks
