"""How often sensors lose part of their sensitivity at once, and how much, from the steps down that a fleet's past shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import gammaln

from ..health.change_points import SIZE_VARIANCE, Rates
from .falls import LEAST, WIDTH, FallLaw, Falls
from .falls_together import MONTH, unevenness
from .lifedata import years_between
from .worn import wears_out

Array = NDArray[np.float64]

# Judgements, all of them: what beliefs beforehand are worth, and what counts as a fall
WORTH = 0.5  # falls that the rate held beforehand, that of the search for steps, is worth
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
    watched = pd.Series(_watched(worn, readings), index=worn.index).groupby(worn["stratum"]).sum()
    fell = steps[(steps["kind"] == "down") & steps["life_id"].isin(home.index)]
    fell = fell.assign(size=-fell["size"].astype(float), stratum=fell["life_id"].map(home["stratum"]))
    least = (SURE * noise).reindex(watched.index).fillna(LEAST).clip(lower=LEAST)
    smallest = least.reindex(fell["stratum"]).to_numpy(float)
    fell = _counted(fell[(fell["size"].to_numpy() >= smallest) & (fell["size"].to_numpy() < DEATH)])
    seen = fell["stratum"].value_counts().reindex(watched.index).fillna(0).astype(int)
    laws = {}
    for number, (_, kinds) in enumerate(worn.drop_duplicates("stratum").groupby("technology")["stratum"]):
        names = sorted(kinds)
        sizes = fell[fell["stratum"].isin(names)]
        company = _company(sizes, home, (readings["time"].max() - readings["time"].min()) / MONTH)
        uneven = unevenness(sizes, readings, home["site"][home["stratum"].isin(names)])
        count, span = (np.asarray(item[names], dtype=np.float64) / company for item in (seen, watched))
        for name, (shape, years) in zip(names, _rates(count, span)):
            if least[name] < DEATH - WIDTH:
                law = _sizes(sizes["size"].to_numpy(), sizes["std_error"].to_numpy(float), float(least[name]))
                held = FallLaw(shape, years, *law, float(least[name]), int(seen[name]), float(watched[name]))
                laws[str(name)] = replace(held, uneven=uneven, world=(number,))
    return Falls(laws, frozenset(fell["life_id"][fell["ended"].astype(bool)].astype(str)))


def _counted(fell: pd.DataFrame) -> pd.DataFrame:
    """The falls without those that ended their sensor where most falls of its kind did: such ends are told by its knee, or by the
    hazard of sudden ends, whose constant part they are where headroom is small."""
    ended = fell["ended"].astype(bool)
    return fell[~(ended & (ended.groupby(fell["stratum"]).transform("mean") > MOSTLY))]


def _watched(lives: pd.DataFrame, readings: pd.DataFrame) -> Array:
    """Years (n,) in which a fall would have been seen: up to the last reading of a life that has come to its end, else to the
    visit before, as one low visit may be a bad reading."""
    times = readings["time"].groupby(readings["life_id"])
    last = times.max()
    before = readings["time"][readings["time"] < times.transform("max") - ONE_VISIT].groupby(readings["life_id"]).max()
    first, latest, told = (
        pd.to_datetime(item.reindex(lives["life_id"])).reset_index(drop=True) for item in (times.min(), last, before)
    )
    until = latest.where(lives["end_kind"].isin(("soft", "sudden")).to_numpy(), told)
    return np.nan_to_num(np.maximum(years_between(first, until), 0.0))


def _company(fell: pd.DataFrame, home: pd.DataFrame, months: float) -> float:
    """How many falls count as one, as those of a site come together: by how much more their numbers by site and month vary than
    those of a Poisson law of that mean (index of dispersion: Cox and Lewis 1966, The Statistical Analysis of Series of Events;
    from memory)."""
    if len(fell) < 2:
        return 1.0
    when = pd.to_datetime(fell["time_after"])
    month = (when - when.min()) // MONTH
    site = fell["life_id"].map(home["site"])
    count = fell.groupby([site.to_numpy(dtype=object), month.to_numpy()]).size().to_numpy(float)
    usual = count.sum() / (home["site"].nunique() * max(months, 1.0))
    return float(np.clip((count**2).sum() / count.sum() - usual, 1.0, count.max()))


def _rates(seen: Array, watched: Array) -> list[tuple[float, float]]:
    """Gamma laws (shape, years) of the rates of a technology's kinds, by empirical Bayes: all together first, and then each with
    that for what it is worth, as the differences between them tell."""
    shape, years = WORTH + seen.sum(), WORTH / Rates().down + watched.sum()
    if seen.size == 1:
        return [(float(shape), float(years))]
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
