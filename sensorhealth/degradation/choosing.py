"""One stratum on all curves: which shapes its readings speak for, and with what weight."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.curves import Curve, candidates
from sensorhealth.degradation.curves.own_pace import TYPICAL_LOSS, OwnPace
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import SESSION, Terms, bend, crossed_data
from sensorhealth.degradation.fitting import NEARLY, CurveFit, Options, class_effects, fit_beside, fit_curve, rough_fit
from sensorhealth.degradation.ground import at_times, first_slopes, life_slopes, nearer, times
from sensorhealth.degradation.reml_data import VarianceParameters
from sensorhealth.degradation.reml_layout import Layout
from sensorhealth.degradation.reml_newton import HOPE, SURELY
from sensorhealth.degradation.robust import choose_degrees
from sensorhealth.degradation.tuning import tuned
from sensorhealth.degradation.wiggles import with_wiggle

LEAST_WEIGHT = 0.01  # of a curve that stays in the average
LITTLE = 0.1  # weight at the first look below which a curve is given the variances of the likeliest
MOST_CURVES, MOST_OF_FAMILY = 6, 2  # that are fitted in full
ROUGHLY = 1e-2  # how near the optimum a search for a look ends
PACES = 1  # times that a curve of own pace is made straight for a look
REFINED = (1.0, 0.5, 0.25)  # steps by which the shapes of the likelier families are tuned
NEAR = 25.0  # deviance behind the best within which a family's shape is tuned
SEARCHED = 2  # members of a rival family that are given a search of their own
HOPELESS = 150.0  # deviance behind the best beyond which a curve is not looked at again
SECOND_LOOK = 12  # curves looked at again from a fit on the best
FAR = 12.0  # deviance behind the best at the first look, beyond which a curve is not fitted
CLEARLY = 10.0  # deviance gained by a knee at the first look, from which the fit begins with it
WANDERS = (0.003, 0.03)  # of the noise's variance, gathered between two readings, tried first
LEAST_GAIN = 0.0005  # deviance gained per reading at the first look, below which no wander is searched for
SUPPORT = 2.706  # deviance that a wander must gain: 5 % point of 1/2 chi2_0 + 1/2 chi2_1 (variance on its boundary)


@dataclass(frozen=True)
class CurveChoice:
    """A curve tried on a stratum: prior and posterior weight, deviance above the best; fitted: None if not kept."""

    curve: Curve
    prior: float
    weight: float
    delta_deviance: float
    fitted: CurveFit | None


def first_look(
    stratum: Stratum, curve: Curve, terms: Terms, options: Options, degrees: float | None, start: CurveFit | None = None
) -> CurveFit:
    """A stratum on one curve after one search, with the noise's degrees of freedom chosen by likelihood where `degrees` is
    None: enough to see what the noise is like and what does not fit.

    start: a fit of the same readings with plainer terms, which saves most of the work.
    """
    believed = degrees if degrees is not None else start.degrees if start else np.inf
    found = rough_fit(stratum, curve, terms, replace(options, degrees=believed), start)
    if degrees is not None:
        return found
    noise = found.parameters.residual
    read = stratum.censoring == 0
    if terms.doubt is not None:
        read &= ~np.isfinite(terms.doubt)
    wanted = choose_degrees(found.held, found.base.y, read, found.mean, found.variance, noise)
    return found if wanted == believed else rough_fit(stratum, curve, terms, replace(options, degrees=wanted), found)


def first_with_knee(
    stratum: Stratum, terms: Terms, options: Options, degrees: float | None, grid: list[tuple[Curve, float]], first: CurveFit
) -> CurveFit:
    """The likeliest of `first` and a first look at each curve of own pace, from its own readings at their full worth.

    Where a curve without a knee was looked at first, heavy tails have swallowed the readings beyond the knee, and no curve
    that starts from there would ever meet them again.
    """
    knees = [first_look(stratum, curve, terms, options, degrees) for curve, _ in grid if curve.own_pace]
    best = min([first, *knees], key=lambda item: item.deviance)
    if best.deviance > first.deviance - CLEARLY:
        return first
    likeliest = {item.curve.family: item for item in sorted(knees, key=lambda item: -item.deviance)}
    best = min((tuned(stratum, item, options) for item in likeliest.values()), key=lambda item: item.deviance)
    return first_look(stratum, best.curve, terms, options, degrees, best)


def fit_curves(
    stratum: Stratum,
    terms: Terms,
    options: Options,
    ask_wander: bool,
    grid: list[tuple[Curve, float]],
    first: CurveFit,
) -> tuple[list[CurveChoice], float]:
    """Fit a stratum on the curves of `grid` (curve, prior weight), starting from the fit `first` on one of them.

    ask_wander: add a wander where the likelihood asks for it. Returns the curves by falling weight and the deviance
    gained by the wander (0 where it was not asked).
    """
    gain = 0.0
    tried = {first.curve: first}
    look = _Looks(stratum, terms, first)
    looks = {curve: look(curve) for curve in dict.fromkeys([*(curve for curve, _ in grid), first.curve])}
    best = min(looks, key=lambda curve: looks[curve])
    if looks[best] < looks[first.curve] - 1.0:  # ask again from a fit that suits the readings
        tried[best] = first = fit_curve(stratum, best, terms, options, first, enough=NEARLY)
        nearest = sorted(looks, key=lambda curve: looks[curve])[:SECOND_LOOK]
        look = _Looks(stratum, terms, first)
        looks = {curve: look(curve) for curve in nearest}
    rivals = _rivals(looks, first)
    wanted = look.searched(first.curve) - 1.0 if rivals else -np.inf
    found = {curve: look.searched(curve, wanted) for curve in rivals}
    rival = min(found, key=lambda curve: found[curve], default=first.curve)
    if found and found[rival] < wanted:
        tried[rival] = other = fit_curve(stratum, rival, terms, options, first, enough=NEARLY)
        if other.deviance < first.deviance:
            first, look = other, _Looks(stratum, terms, other)
            looks = _again(look, looks)
    first = _tuned(stratum, first, options)
    if first.curve not in looks:
        look = _Looks(stratum, terms, first)
        looks = _again(look, looks) | {first.curve: look(first.curve)}
    likely = wander_helps(first) if ask_wander else None  # only now: a wrong shape looks like a wander
    if likely is not None:
        loose = fit_curve(stratum, first.curve, terms, replace(options, brownian=True), first, likely)
        gain = first.deviance - loose.deviance
        if gain > SUPPORT:
            first, options, tried = loose, replace(options, brownian=True), {loose.curve: loose}
            look = _Looks(stratum, terms, first)
            looks = _again(look, looks)
    wiggly = with_wiggle(stratum, first, options)
    if wiggly is not first:
        first, terms, tried = wiggly, wiggly.terms, {wiggly.curve: wiggly}
        look = _Looks(stratum, terms, first)
        looks = _again(look, looks)
    elif gain <= SUPPORT and len(grid) > 1:
        tried[first.curve] = first = fit_curve(stratum, first.curve, terms, options, first)
    for step in REFINED:
        _refine(look, looks, step)
    prior = _priors(grid, looks)
    least = min(looks.values())
    seen = {curve: prior[curve] * float(np.exp(-0.5 * (value - least))) for curve, value in looks.items()}
    for curve in _spread(sorted(looks, key=lambda curve: -seen[curve])):
        if looks[curve] - least < FAR and curve not in tried:
            if seen[curve] < LITTLE * sum(seen.values()):
                tried[curve] = fit_beside(stratum, curve, terms, options, first)
            else:
                tried[curve] = fit_curve(stratum, curve, terms, options, first, enough=NEARLY)
    return _weigh(prior, looks, tried), gain


def _tuned(stratum: Stratum, first: CurveFit, options: Options) -> CurveFit:
    """The fit, or one that is clearly likelier on a shape near its own."""
    found = tuned(stratum, first, options)
    return found if found.deviance < first.deviance - 1.0 else first


def _rivals(looks: dict[Curve, float], first: CurveFit) -> list[Curve]:
    """The likeliest curves of each family of own pace but that of `first`.

    Looked at with another shape's variances they seem far behind: what they make plain stood there as spread of the slopes
    and as noise. Only a search of their own shows what they are worth, and a wander must not be asked before.
    """
    families = sorted({curve.family for curve in looks if curve.own_pace} - {first.curve.family})
    order = sorted(looks, key=lambda curve: looks[curve])
    return [curve for family in families for curve in [item for item in order if item.family == family][:SEARCHED]]


def _spread(order: list[Curve]) -> list[Curve]:
    """The first curves of several families: neighbours of one shape must not crowd out the other shapes."""
    seen: dict[str, int] = {}
    kept: list[Curve] = []
    for curve in order:
        seen[curve.family] = seen.get(curve.family, 0) + 1
        if seen[curve.family] <= MOST_OF_FAMILY:
            kept.append(curve)
    return kept[:MOST_CURVES]


def _again(look: _Looks, looks: dict[Curve, float]) -> dict[Curve, float]:
    """The curves that are not hopelessly far behind looked at once more, from another fit; the others stay behind."""
    behind = {curve: value - min(looks.values()) for curve, value in looks.items()}
    again = {curve: look(curve) for curve, value in behind.items() if value < HOPELESS}
    return {curve: again.get(curve, min(again.values()) + value) for curve, value in behind.items()}


def _refine(look: _Looks, looks: dict[Curve, float], step: float) -> None:
    """Add to `looks` the neighbours of the best member of each family that is not far behind."""
    least = min(looks.values())
    for family in sorted({curve.family for curve in looks}):
        best = min((curve for curve in looks if curve.family == family), key=lambda curve: looks[curve])
        if looks[best] - least < NEAR:
            looks |= {curve: look(curve) for curve in best.near(step) if curve not in looks}


def _priors(grid: list[tuple[Curve, float]], looks: dict[Curve, float]) -> dict[Curve, float]:
    """Prior of each curve looked at: that of its family, split evenly over the members."""
    family: dict[str, float] = {}
    for curve, weight in grid:
        family[curve.family] = family.get(curve.family, 0.0) + weight
    count = {name: sum(curve.family == name for curve in looks) for name in family}
    return {curve: family[curve.family] / count[curve.family] for curve in looks}


def wander_helps(first: CurveFit) -> VarianceParameters | None:
    """Variances with the likelier of a few wanders, if that makes a fit without one clearly likelier, all else as it is."""
    layout, data = first.layout.with_clock(), first.layout.data
    span = max(float(np.median(np.diff(data.g)[np.diff(data.g) > 0.0])) if data.g.size > 1 else 1.0, 1e-9)
    plain = first.parameters
    tries = [replace(plain, brownian=share * plain.residual / span) for share in WANDERS]
    gains = [first.fit.deviance_ml - reml.deviance(layout, item, "ML") for item in tries]
    best = int(np.argmax(gains))
    return tries[best] if gains[best] > LEAST_GAIN * data.y.size else None


class _Looks:
    """Deviances of curves at the variances and stand-ins of another: what ranks the curves before any search.

    Sessions are taken off as the other curve has them, which saves most of the work and changes little.
    """

    def __init__(self, stratum: Stratum, terms: Terms, first: CurveFit) -> None:
        self.stratum, self.first = stratum, first
        self.response = first.sites.response - class_effects(first, (SESSION,))
        data = crossed_data(stratum, first.curve, replace(terms, sessions=False), first.slopes)
        self.layout = reml.lay_out(data, brownian=first.wanders)
        self._slopes: dict[Curve, FloatArray | None] = {}

    def __call__(self, curve: Curve) -> float:
        return reml.deviance(self._straight(curve)[0], self.first.parameters, "ML")

    def searched(self, curve: Curve, wanted: float = np.inf) -> float:
        """The same at variances of the curve's own, to be compared with others that are searched for.

        wanted: a deviance that is asked for; one that is far out of its reach is not searched for to the end.
        """
        layout, slopes = self._straight(curve)

        def found_on(begin: VarianceParameters, wanted: float) -> tuple[reml.CrossedFit, float]:
            fit = reml.fit(layout, method="ML", brownian=self.first.wanders, start=begin, tolerance=ROUGHLY, wanted=wanted)
            last = layout if slopes is None else self._on(curve, nearer(curve, slopes, life_slopes(self.stratum, fit)))
            return fit, reml.deviance(last, fit.parameters, "ML")

        fit, found = found_on(self.first.parameters, wanted)
        if not fit.converged and found - max(HOPE * fit.decrement, SURELY) < wanted:  # made straight anew it is within reach
            _, found = found_on(fit.parameters, np.inf)
        return found

    def _straight(self, curve: Curve) -> tuple[Layout, FloatArray | None]:
        """Its layout, and the slopes about which it is straight."""
        if curve in self._slopes:
            return self._on(curve, self._slopes[curve]), self._slopes[curve]
        slopes = first_slopes(self.stratum, curve, (self.first.curve, self.first.fit))
        if slopes is not None:
            for _ in range(PACES):
                fit = reml.solve(self._on(curve, slopes), self.first.parameters, "ML")
                slopes = nearer(curve, slopes, life_slopes(self.stratum, fit))
        self._slopes[curve] = slopes
        return self._on(curve, slopes), slopes

    def _on(self, curve: Curve, slopes: FloatArray | None) -> Layout:
        g = times(self.stratum, curve, slopes)
        off = bend(curve, slopes, self.stratum.life, self.stratum.age) + self.stratum.gas_mean
        data = at_times(self.layout.data, g, g)
        return self.layout.with_times(replace(data, y=self.response - off, weights=self.first.sites.weight))


def _weigh(prior: dict[Curve, float], looks: dict[Curve, float], tried: dict[Curve, CurveFit]) -> list[CurveChoice]:
    """Weights prior * exp(-deviance / 2), those under 1 % cut, the rest brought back to a sum of one."""
    least = min(item.deviance for item in tried.values())
    nearest = min(looks.values())
    delta = {curve: tried[curve].deviance - least if curve in tried else looks[curve] - nearest for curve in looks}
    raw = {curve: prior[curve] * float(np.exp(-0.5 * delta[curve])) for curve in tried if curve in looks}
    total = sum(raw.values())
    best = sorted(raw, key=lambda curve: -raw[curve])[:MOST_CURVES]
    kept = {curve: raw[curve] for curve in best if curve == best[0] or raw[curve] >= LEAST_WEIGHT * total}
    weight = {curve: raw[curve] / sum(kept.values()) if curve in kept else 0.0 for curve in looks}
    order = sorted(looks, key=lambda curve: (-weight[curve], delta[curve]))
    return [
        CurveChoice(curve, prior[curve], weight[curve], delta[curve], tried[curve] if curve in kept else None) for curve in order
    ]


def curve_grid(curves: str, oldest: float, loss: float = TYPICAL_LOSS, *, own_pace: bool = True) -> list[tuple[Curve, float]]:
    """Curves to try for readings up to the age `oldest`: all ("average") or one family by its name.

    loss: ln ratio that the typical sensor loses by that age. own_pace: whether curves of own pace are among all; they tell
    how a path goes on to its end, which is asked only where one leads there.
    """
    grid = [(at_loss(curve, loss), weight) for curve, weight in candidates(max(oldest, 0.1))]
    if curves == "average" and own_pace:
        return grid
    chosen = [(curve, weight) for curve, weight in grid if curve.family == curves or (curves == "average" and not curve.own_pace)]
    total = sum(weight for _, weight in chosen)
    return [(curve, weight / total) for curve, weight in chosen]


def at_loss(curve: Curve, loss: float) -> Curve:
    """The curve in the unit of a typical sensor that loses this ln ratio by the oldest age."""
    return curve.with_typical_loss(loss) if isinstance(curve, OwnPace) else curve
