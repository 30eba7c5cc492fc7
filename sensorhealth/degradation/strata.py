"""One fitted stratum, and how it is fitted: curves, wander, tails, doubts, or what is given where readings are few."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np

from sensorhealth.degradation import borrowing, wiggles
from sensorhealth.degradation.break_in import CLEARLY, break_in_of, said_of, unslowed
from sensorhealth.degradation.choosing import CurveChoice, at_loss, curve_grid, first_look, first_with_knee, fit_curves
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import SESSION, Terms, terms
from sensorhealth.degradation.fitting import ENOUGH, NEARLY, CurveFit, Options, at_parameters, fit_curve
from sensorhealth.degradation.gas import grown, with_gas_prior
from sensorhealth.degradation.large import with_all_lives
from sensorhealth.degradation.part import choose_lives, take_lives
from sensorhealth.degradation.predicting import Component
from sensorhealth.degradation.reml_data import Method, VarianceParameters
from sensorhealth.degradation.surprises import Surprises, falls_at_the_end, find_surprises
from sensorhealth.degradation.uncertainty import variance_draws
from sensorhealth.second_core import MANY, alongside
from sensorhealth.technologies import flat_technologies

FEWEST_READINGS = 12
FEWEST_LIVES = 3  # with two readings or more, for variances to be estimated
FEW_LIVES = 300  # below it forecasts are averaged over the variances' uncertainty
FEW_EACH = 25  # readings per sensor below which they can hardly show a wander, so that it is always allowed
DRAWS = 16  # of the variances, over all curves of a stratum
PERSISTENT = 0.25  # correlation of a sensor's successive sessions above which they are not errors of the day
FEWEST_PAIRS = 20
LOOKED_BACK = 20_000  # sensors whose past is looked back on
OF_PART = -1  # in place of the most lives, for the part of a larger kind
LARGE = 0.5  # share of what readings scatter by, as one session shares it, from which sessions are large
SHOWN = 3.0  # standard errors by which readings of one session must be alike for sessions to show
FADING = 3.0  # times as long a fit takes where cylinders fade: each reading then meets two columns of its own
FEW_ENOUGH = 1_000_000  # readings up to which another process hands back the models of all lives, and not of parts alone
WORTH_A_FORK = 1_000  # readings that another process must have to fit
LOSSES = (0.05, 2.0)  # ln ratio lost by the oldest age that a typical sensor is given

Sessions = bool | Literal["large"]


@dataclass(frozen=True)
class Settings:
    """The estimator's options, as the strata need them."""

    curves: str
    degrees: float | None
    wander: bool | None
    method: Method
    lots: bool
    sessions: Sessions
    fade: bool
    draws: bool | None
    seed: int
    most_lives: int
    part_lives: int


@dataclass(frozen=True)
class StratumModel:
    """A fitted stratum.

    modes: one component per curve kept, at its estimated variances; components: the same, or draws of the variances around
    them. bare: the readings without the steps that were found in them. curves: all that were tried. wander_gain: deviance
    that a wander gained (0 where it was not asked). surprises: what jumps are like. given: variances were not estimated
    from these readings. sensors: with readings, that it speaks for. part: of a very large kind the model of some of its lives,
    from which all but the posteriors of the others comes.
    """

    bare: Stratum
    stratum: Stratum
    modes: tuple[Component, ...]
    components: tuple[Component, ...]
    curves: tuple[CurveChoice, ...]
    wander_gain: float
    surprises: Surprises
    given: bool
    sensors: int
    remarks: tuple[str, ...] = ()
    part: StratumModel | None = None

    @property
    def told(self) -> StratumModel:
        """The model of the lives that told variances and curves: of a part of a very large kind, of all of another."""
        return self if self.part is None else self.part

    @property
    def looked_back(self) -> StratumModel:
        """The model whose sensors' past is foretold from their beginnings: all, but of a part where there are very many."""
        return self if self.stratum.life_id.size <= LOOKED_BACK else self.told

    @property
    def deviance(self) -> float:
        """-2 log likelihood on the likeliest curve."""
        return min(item.fitted.deviance for item in self.modes)

    @property
    def variances(self) -> VarianceParameters:
        """Variances of the likeliest curve."""
        return max(self.modes, key=lambda item: item.weight).fitted.parameters


def fit_strata(strata: Mapping[str, Stratum], settings: Settings) -> dict[str, StratumModel]:
    """Fit several strata. Those of a technology borrow from each other, the largest first, but for very large kinds, which need
    not; technologies, or kinds where all of one are very large, are fitted side by side on two cores."""
    borrowing_too = {item.technology for item in strata.values() if not _large(item, settings)}
    families: dict[tuple[str, str], list[Stratum]] = {}
    for name in sorted(strata, key=lambda key: -strata[key].age.size):
        technology = strata[name].technology
        families.setdefault((technology, "" if technology in borrowing_too else name), []).append(strata[name])
    loads: tuple[list[Stratum], list[Stratum]] = [], []
    work = {stratum.name: _work(stratum, settings) for stratum in strata.values()}

    def load(some: Sequence[Stratum]) -> float:
        return sum(work[stratum.name] for stratum in some)

    for family in sorted(families.values(), key=lambda family: -load(family)):
        min(loads, key=load).extend(family)
    here, beside = loads
    lives = sum(settings.part_lives if _large(stratum, settings) else stratum.life_id.size for stratum in beside)
    worth = _readings(beside) >= WORTH_A_FORK and lives < MANY
    small = _readings(beside) <= FEW_ENOUGH
    fit = partial(_in_full, settings=settings) if small else partial(_one_after_the_other, settings=settings)
    with alongside(partial(fit, beside), worth=worth) as others:
        fitted = {**fit(here), **others()}
    return fitted if small else _with_all(fitted, strata, settings)


def _in_full(strata: Sequence[Stratum], settings: Settings) -> dict[str, StratumModel]:
    """The models of the strata, of all their lives."""
    return _with_all(_one_after_the_other(strata, settings), {stratum.name: stratum for stratum in strata}, settings)


def _with_all(fitted: Mapping[str, StratumModel], strata: Mapping[str, Stratum], settings: Settings) -> dict[str, StratumModel]:
    """The models, those of a part of the lives of very large kinds for all of them."""
    return {
        name: with_all_lives(model, strata[name]) if _large(strata[name], settings) and not model.given else model
        for name, model in fitted.items()
    }


def _large(stratum: Stratum, settings: Settings) -> bool:
    """Whether curve and variances are those of a part of the lives."""
    return 0 <= settings.most_lives < _read(stratum)


def _read(stratum: Stratum) -> int:
    """Sensors with readings."""
    return int((stratum.counts > 0).sum())


def _work(stratum: Stratum, settings: Settings) -> float:
    """How long a fit takes, roughly, in readings of sensors whose cylinders do not fade."""
    share = min(settings.part_lives / max(_read(stratum), 1), 1.0) if _large(stratum, settings) else 1.0
    fades = terms(stratum, fade=settings.fade, sessions=False, lots=False).fade
    return share * stratum.age.size * (FADING if fades else 1.0)


def _readings(strata: Sequence[Stratum]) -> int:
    return sum(stratum.age.size for stratum in strata)


def _one_after_the_other(strata: Sequence[Stratum], settings: Settings) -> dict[str, StratumModel]:
    """The models of the strata; of very large kinds those of the part of their lives that is fitted."""
    fitted: dict[str, StratumModel] = {}
    for stratum in strata:
        if _large(stratum, settings):
            some = take_lives(stratum, choose_lives(stratum, settings.part_lives, settings.seed))
            part = fit_stratum(some, replace(settings, most_lives=OF_PART), [])
            fitted[stratum.name] = replace(part, sensors=_read(stratum))
        else:
            relatives = [item for item in fitted.values() if item.stratum.technology == stratum.technology]
            fitted[stratum.name] = fit_stratum(stratum, settings, relatives)
    return fitted


def fit_stratum(stratum: Stratum, settings: Settings, relatives: Sequence[StratumModel], break_in: float = 0.0) -> StratumModel:
    """Fit one stratum; `relatives` are fitted strata of the same technology, which a small one borrows from.

    break_in: years in which a first rise of new sensors dies away, where one was seen; else it is looked for.
    """
    whole = stratum
    found = terms(stratum, fade=settings.fade, sessions=settings.sessions is not False, lots=settings.lots)
    found = replace(found, break_in=break_in, own_break_in=break_in > 0.0 and settings.most_lives != OF_PART)
    repeated = int((stratum.counts > 1).sum())
    if stratum.age.size < FEWEST_READINGS or repeated < FEWEST_LIVES or not found.slope or stratum.one_sided:
        return _given(stratum, found, settings, relatives)
    kin = [(item.variances, item.sensors) for item in relatives if not item.given]
    few = repeated < FEW_LIVES
    sparse = few and bool((stratum.counts > 2).any()) and float(np.median(stratum.counts[stratum.counts > 1])) < FEW_EACH
    options = Options(
        method=settings.method,
        penalty=borrowing.penalty(stratum.technology, repeated, kin),
        brownian=settings.wander is True or (settings.wander is None and sparse),
    )
    soft = not stratum.unvalued and stratum.technology not in flat_technologies()  # these end by falls, and no path leads there
    grid = curve_grid(settings.curves, stratum.oldest, own_pace=soft)
    grid = unslowed(grid) if break_in else grid
    large = settings.sessions == "large" and bool((stratum.cylinder >= 0).any())  # else sessions stand in for the gas
    quick = found.sessions and (large or settings.most_lives == OF_PART)  # what many sessions cost is spent where they show
    seen = first_look(stratum, grid[0][0], replace(found, sessions=False) if quick else found, options, settings.degrees)
    remarks: tuple[str, ...] = ()
    if quick and not sessions_show(stratum, seen, large=large):
        found = replace(found, sessions=False)
    elif quick:
        seen = first_look(stratum, grid[0][0], found, options, settings.degrees)
    if found.sessions and sessions_persist(stratum, seen):
        found = replace(found, sessions=False)
        seen = first_look(stratum, grid[0][0], found, options, settings.degrees)
        remarks = (
            f"{stratum.name}: readings of one session stay alike at the next one, so that what they share belongs to the "
            "sensors and not to the day; sessions are left out",
        )
    if settings.curves == "average" and soft and falls_at_the_end(stratum, seen):
        seen = first_with_knee(stratum, found, options, settings.degrees, grid, seen)
    bare = stratum
    stratum, doubt, surprises = find_surprises(bare, seen)
    if doubt is not None or stratum is not bare:
        found = replace(found, doubt=doubt)
        seen = first_look(stratum, seen.curve, found, options, settings.degrees, seen)
    options = replace(options, degrees=seen.degrees)
    stratum, seen = with_gas_prior(stratum, seen, settings.method)
    loss = float(np.clip(-seen.curve.path(seen.fit.beta[1], stratum.oldest), *LOSSES))
    grid = curve_grid(settings.curves, stratum.oldest, loss, own_pace=soft)
    grid = unslowed(grid) if break_in else grid
    first = fit_curve(stratum, at_loss(seen.curve, loss), found, options, seen, enough=NEARLY if len(grid) > 1 else ENOUGH)
    choices, gain = fit_curves(stratum, found, options, settings.wander is None and not options.brownian, grid, first)
    modes = tuple(Component(stratum, item.fitted, item.weight, surprises.share) for item in choices if item.fitted is not None)
    if settings.curves == "average" and soft and not break_in:
        best = min((item.fitted for item in choices if item.fitted is not None), key=lambda item: item.deviance)
        for time in dict.fromkeys(break_in_of(stratum, fit, best.deviance) for fit in (best, seen)):
            other = fit_stratum(whole, settings, relatives, time) if time else None
            if other is not None and other.deviance < best.deviance - CLEARLY:
                return other
    if break_in:
        remarks = (*remarks, said_of(stratum.name, break_in))
    if modes[0].fitted.terms.wiggle is not None:
        remarks = (*remarks, wiggles.said_of(stratum.name, modes[0].fitted))
    spread = settings.draws if settings.draws is not None else few
    components = _drawn(modes, settings.seed) if spread else modes
    return StratumModel(bare, stratum, modes, components, tuple(choices), gain, surprises, False, _read(stratum), remarks)


def _drawn(modes: tuple[Component, ...], seed: int) -> tuple[Component, ...]:
    """Components at drawn variances, each curve with a share of the draws by its weight; a curve of little weight as it is."""
    found: list[Component] = []
    for mode in modes:
        count = round(DRAWS * mode.weight)
        if count < 2:
            found.append(mode)
            continue
        found += [
            Component(mode.stratum, fitted, mode.weight * share, mode.share)
            for fitted, share in variance_draws(mode.fitted, count, seed)
        ]
    return tuple(found)


def sessions_persist(stratum: Stratum, fitted: CurveFit) -> bool:
    """Whether sensors meet like session effects visit after visit: then they carry them, the day does not."""
    effect = fitted.fit.crossed[SESSION][0]
    each = np.where(stratum.session >= 0, effect[np.maximum(stratum.session, 0)], np.nan)
    own = np.diff(stratum.life) == 0
    pairs = own & (np.diff(stratum.session) != 0) & np.isfinite(each[1:]) & np.isfinite(each[:-1])
    if pairs.sum() < FEWEST_PAIRS:
        return False
    now, later = each[:-1][pairs], each[1:][pairs]
    spread = float(np.sqrt(np.mean(now**2) * np.mean(later**2)))
    return spread > 0.0 and float(np.mean(now * later)) / spread > PERSISTENT


def sessions_show(stratum: Stratum, fitted: CurveFit, *, large: bool = False) -> bool:
    """Whether readings of one session are alike in what a fit without sessions leaves of them; large: whether that makes up
    much of it besides."""
    rest = (stratum.y - fitted.mean) * np.sqrt(np.minimum(fitted.sites.weight, 1.0))
    known = (stratum.session >= 0) & (stratum.censoring == 0)
    code = stratum.session[known]
    count, total, square = (np.bincount(code, rest[known] ** k, stratum.sessions.size) for k in range(3))
    pairs = float((count * (count - 1.0)).sum())
    if not pairs:
        return False
    alike = float((total**2 - square).sum()) / pairs
    least = max(SHOWN * np.sqrt(2.0 / pairs), LARGE if large else 0.0)
    return bool(alike > least * float(np.mean(rest[known] ** 2)))


def _given(stratum: Stratum, found: Terms, settings: Settings, relatives: Sequence[StratumModel]) -> StratumModel:
    """A stratum whose readings are too few to tell variances: those of its relatives or usual ones, and a path prior."""
    kin = [item for item in relatives if not item.given]
    counts = [(item.variances, item.sensors) for item in kin]
    paths = [(float(item.modes[0].fitted.fit.beta[0]), float(item.modes[0].fitted.fit.beta[1])) for item in kin]
    curve = curve_grid(settings.curves, max(stratum.oldest, 1.0))[0][0]
    prior = borrowing.path_prior(stratum.technology, paths)
    full = replace(found, slope=True, random="intercept+slope", prior=prior)
    degrees = 8.0 if settings.degrees is None else settings.degrees
    variances = borrowing.centre(stratum.technology, counts)
    fitted = at_parameters(stratum, curve, full, variances, degrees, settings.method)
    mode = Component(stratum, fitted, 1.0)
    choice = CurveChoice(curve, 1.0, 1.0, 0.0, fitted)
    return StratumModel(stratum, stratum, (mode,), (mode,), (choice,), 0.0, Surprises(np.inf), True, _read(stratum))


def refit_at(model: StratumModel, bare: Stratum, settings: Settings) -> StratumModel:
    """The same curves, weights and variances with other readings of the same stratum: no search, only solutions."""

    def solved(item: Component, stratum: Stratum, doubt: FloatArray | None) -> CurveFit:
        old = item.fitted
        found = replace(old.terms, doubt=doubt)
        return at_parameters(stratum, old.curve, found, old.parameters, old.degrees, settings.method)

    if model.part is not None:
        return with_all_lives(model.part, bare)
    bare = replace(bare, gas_prior=grown(model.stratum.gas_prior, bare.tolerance.size))
    likeliest = max(model.modes, key=lambda item: item.weight)
    stratum, doubt, _ = find_surprises(bare, solved(likeliest, bare, None), model.surprises)

    def again(item: Component) -> Component:
        return replace(item, stratum=stratum, fitted=solved(item, stratum, doubt))

    modes = tuple(again(item) for item in model.modes)
    components = modes if model.components is model.modes else tuple(again(item) for item in model.components)
    return replace(model, bare=replace(bare, gas_prior=None), stratum=stratum, modes=modes, components=components)
