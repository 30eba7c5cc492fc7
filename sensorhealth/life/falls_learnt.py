"""How often sensors lose part of their sensitivity at once, and how much, from the steps down that a fleet's past shows."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import gammaln

from ..health.change_points import SIZE_VARIANCE, Rates
from .falls import CAME, LEAST, WIDTH, FallLaw, Falls
from .falls_together import Company, company
from .lifedata import years_between
from .worn import wears_out

Array = NDArray[np.float64]

# Judgements, all of them: what beliefs beforehand are worth, and what counts as a fall
WORTH = 0.5  # falls that the rate held beforehand, that of the search for steps, is worth
BELIEF = WORTH, WORTH / float(Rates().down)  # gamma law (shape, years) of the rate beforehand
WORTHS = np.array([1.0, 2.0, 5.0, 10.0, 20.0, 50.0])  # falls that a technology may be worth in each of its kinds
SIZES_WORTH = 3.0  # falls that the sizes held beforehand are worth
SURE = 4.0  # standard deviations of a reading below which falls are not told from noise
DEATH = float(-np.log(0.3))  # ln ratio: a fall of more is a death
ALIKE = 0.2  # standard deviation of ln(size) about a fall that was seen
MOSTLY = 0.5  # share of a kind's falls that ended their sensors, above which these are not counted as falls
ONE_VISIT = pd.Timedelta(hours=24)


def learn_falls(lives: pd.DataFrame, readings: pd.DataFrame, steps: pd.DataFrame, deviations: pd.DataFrame) -> Falls:
    """The laws of falls of all kinds of sensors that wear.

    lives, readings: as they are after the search for faults; steps, deviations: what it found (`health.Oddities`). A step up is
    no fall, and neither is one that is too small to be found whenever it comes.
    """
    worn = lives[wears_out(lives)]
    home = worn.set_index("life_id")[["stratum", "technology", "site"]]
    noise = deviations["deviation_sd"].groupby(deviations["life_id"].map(home["stratum"])).median()
    pairs = _watched(worn, readings)
    between = pd.Series(years_between(pairs["time_before"], pairs["time_after"]), index=pairs.index)
    watched = between.groupby(pairs["stratum"]).sum().reindex(worn["stratum"].unique()).fillna(0.0)
    fell = steps[(steps["kind"] == "down") & steps["life_id"].isin(home.index)]
    came = fell.assign(size=-fell["size"].astype(float), stratum=fell["life_id"].map(home["stratum"]))
    fell = came.assign(site=fell["life_id"].map(home["site"]))
    least = (SURE * noise).reindex(watched.index).fillna(LEAST).clip(lower=LEAST)
    smallest = least.reindex(fell["stratum"]).to_numpy(float)
    fell = _counted(fell[(fell["size"].to_numpy() >= smallest) & (fell["size"].to_numpy() < DEATH)])
    seen = fell["stratum"].value_counts().reindex(watched.index).fillna(0).astype(int)
    laws = {}
    for _, kinds in worn.drop_duplicates("stratum").groupby("technology")["stratum"]:
        names = sorted(kinds)
        sizes = fell[fell["stratum"].isin(names)]
        found = company(sizes, pairs[pairs["stratum"].isin(names)], BELIEF)
        count, span = (np.asarray(item[names], dtype=np.float64) for item in (seen, watched))
        for name, (shape, years) in zip(names, _rates(count, span, found)):
            if least[name] < DEATH - WIDTH:
                law = _sizes(sizes["size"].to_numpy(), sizes["std_error"].to_numpy(float), float(least[name]))
                laws[str(name)] = FallLaw(
                    shape, years, *law, float(least[name]), int(seen[name]), float(watched[name]), company=found
                )
    ended = frozenset(fell["life_id"][fell["ended"].astype(bool)].astype(str))
    return Falls(laws, ended, came[~came["ended"].astype(bool)][list(CAME)].reset_index(drop=True))


def _counted(fell: pd.DataFrame) -> pd.DataFrame:
    """The falls without those that ended their sensor where most falls of its kind did: such ends are told by its knee, or by the
    hazard of sudden ends, whose constant part they are where headroom is small."""
    ended = fell["ended"].astype(bool)
    return fell[~(ended & (ended.groupby(fell["stratum"]).transform("mean") > MOSTLY))]


def _watched(lives: pd.DataFrame, readings: pd.DataFrame) -> pd.DataFrame:
    """Readings that follow each other and between which a fall would have been seen (life_id, stratum, site, time_before,
    time_after): up to the last one of a life that has come to its end, else to the visit before, as one low visit may be a bad
    reading."""
    told = readings.loc[readings["life_id"].isin(lives["life_id"]), ["life_id", "time"]]
    told = told.sort_values(["life_id", "time"], kind="stable", ignore_index=True)
    of_each = told["time"].groupby(told["life_id"])
    over = told["life_id"].isin(lives["life_id"][lives["end_kind"].isin(("soft", "sudden"))])
    same = (told["life_id"] == told["life_id"].shift()) & (over | (told["time"] < of_each.transform("max") - ONE_VISIT))
    pairs = told.assign(time_before=told["time"].shift()).rename(columns={"time": "time_after"})[same]
    home = lives.set_index("life_id")[["stratum", "site"]]
    return pairs.join(home, on="life_id")


def _rates(seen: Array, watched: Array, found: Company | None = None) -> list[tuple[float, float]]:
    """Gamma laws (shape, years) of the rates of a technology's kinds, by empirical Bayes: all together first, and then each with
    that for what it is worth, as the differences between them tell."""
    shape, years = (BELIEF[0] + seen.sum(), BELIEF[1] + watched.sum()) if found is None else found.rate
    if seen.size == 1:
        return [(float(shape), float(years))]
    if found is not None:
        seen, watched = seen / found.together, watched / found.together
    mean = shape / years
    worth = WORTHS[:, None]
    chance = worth / (worth + mean * watched)
    log = gammaln(seen + worth) - gammaln(worth) + worth * np.log(chance) + seen * np.log(np.maximum(1.0 - chance, 1e-300))
    belief = np.exp(log.sum(axis=1) - log.sum(axis=1).max())
    own = float(np.exp(belief @ np.log(WORTHS) / belief.sum()))
    return [(own + float(count), own / mean + float(span)) for count, span in zip(seen, watched)]


def _sizes(seen: Array, error: Array, least: float) -> tuple[Array, Array]:
    """Sizes (g,) of falls of at least `least`, and chances (g,): those seen, and the law by which steps are searched for."""
    sizes = WIDTH * np.arange(np.ceil(least / WIDTH), np.ceil(DEATH / WIDTH), dtype=np.float64)
    before = np.exp(-0.5 * (sizes**2 - sizes[0] ** 2) / SIZE_VARIANCE)
    law = SIZES_WORTH * before / before.sum()
    spread = np.sqrt(ALIKE**2 + (error / np.maximum(seen, LEAST)) ** 2)
    for size, wide in zip(seen, spread):
        near = np.exp(-0.5 * (np.log(sizes / max(size, sizes[0])) / wide) ** 2) / sizes
        law = law + near / near.sum()
    return sizes, np.asarray(law / law.sum(), dtype=np.float64)
