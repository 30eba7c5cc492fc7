"""Each lot against each other, and their order with the uncertainty of ranks."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.compare.adjust import adjusted
from sensorhealth.compare.ratio import fieller
from sensorhealth.compare.shrink import draw_effects
from sensorhealth.compare.source import Compared, column_of, compare_source, sources
from sensorhealth.compare.wald import Wald
from sensorhealth.degradation import AgeingModel

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DRAWS = 20_000


def family_p_values(contrasts: Wald, draws: int = DRAWS, random_state: int = 0) -> FloatArray:
    """p values (k,) of contrasts looked at together: the chance that the largest of all |t| is as large as this one.

    By draws from the multivariate t distribution of the contrasts; for all pairs of a one-way layout with equal groups
    this is Tukey's test. Source: Hothorn, Bretz and Westfall (2008), Biometrical Journal 50:346-363.
    """
    rng = np.random.default_rng(random_state)
    error = contrasts.error
    correlation = contrasts.covariance / np.outer(error, error)
    values, vectors = np.linalg.eigh(correlation)
    kept = values > 1e-10 * values[-1]
    root = vectors[:, kept] * np.sqrt(values[kept])
    degrees = float(np.median(contrasts.degrees))
    observed = np.abs(contrasts.t())
    count = np.zeros(observed.size)
    for part in np.array_split(np.arange(draws), max(1, draws * observed.size // 2_000_000)):
        scale = np.sqrt(rng.chisquare(degrees, part.size) / degrees)
        largest = np.abs(rng.standard_normal((part.size, int(kept.sum()))) @ root.T).max(1) / scale
        count += (largest[:, None] >= observed).sum(0)
    return (count + 1.0) / (draws + 1.0)


def pairwise(
    readings: pd.DataFrame,
    lives: pd.DataFrame,
    model: AgeingModel,
    by: str = "lot",
    *,
    adjust: tuple[str, ...] = ("site",),
    level: float = 0.90,
    method: str = "fdr",
    random_state: int = 0,
) -> pd.DataFrame:
    """Ageing rate of every lot against every other of its kind (arguments as for `lots`).

    Columns: technology, gas, lot, other, difference (1/year, lot less other; negative: lot loses faster), low, high, ratio
    with ratio_low, ratio_high, degrees, p_value, q_value (over all pairs), p_family (over the pairs of the kind, none of
    which is then falsely called different but for that chance).
    """
    column_of(lives, by)
    frames = [_pairs(compared, level, random_state) for compared in _all(model, lives, by, adjust)]
    frames = [frame for frame in frames if len(frame)]
    if not frames:
        return pd.DataFrame(columns=PAIR_COLUMNS)
    table = pd.concat(frames, ignore_index=True)
    table["q_value"] = adjusted(table["p_value"].to_numpy(float), method)
    return table[PAIR_COLUMNS]


PAIR_COLUMNS = [
    "technology", "gas", "lot", "other", "difference", "low", "high", "ratio", "ratio_low", "ratio_high", "degrees",
    "p_value", "q_value", "p_family",
]  # fmt: skip


def _all(model: AgeingModel, lives: pd.DataFrame, by: str, adjust: tuple[str, ...]) -> Iterator[Compared]:
    for source in sources(model, lives):
        compared = compare_source(source, by, adjust)
        if compared is not None:
            yield compared


def _pairs(compared: Compared, level: float, random_state: int) -> pd.DataFrame:
    """All pairs of comparable groups of one stratum."""
    grouped = compared.grouped
    able = np.flatnonzero(grouped.slope >= 0)
    one, other = (able[side] for side in np.triu_indices(able.size, 1))
    alike = grouped.part[one] == grouped.part[other]
    one, other = one[alike], other[alike]
    if not one.size:
        return pd.DataFrame()
    a, b = grouped.rows(grouped.slope[one]), grouped.rows(grouped.slope[other])
    gap = grouped.contrasts(a - b)
    low, high = gap.interval(level)
    rates = grouped.contrasts(grouped.rows(grouped.slope[able]))
    place = np.full(compared.names.size, -1)
    place[able] = np.arange(able.size)
    i, j = place[one], place[other]
    v = rates.covariance
    ratio = fieller(rates.estimate[i], rates.estimate[j], v[i, i], v[i, j], v[j, j], gap.degrees, level)
    return pd.DataFrame(
        {
            "technology": compared.source.stratum.technology,
            "gas": compared.source.stratum.gas,
            "lot": compared.names[one],
            "other": compared.names[other],
            "difference": gap.estimate,
            "low": low,
            "high": high,
            "ratio": ratio.value,
            "ratio_low": ratio.low,
            "ratio_high": ratio.high,
            "degrees": gap.degrees,
            "p_value": gap.p_value(),
            "p_family": family_p_values(gap, random_state=random_state),
        }
    )


def ranking(
    readings: pd.DataFrame,
    lives: pd.DataFrame,
    model: AgeingModel,
    by: str = "lot",
    *,
    adjust: tuple[str, ...] = ("site",),
    level: float = 0.90,
    random_state: int = 0,
) -> pd.DataFrame:
    """Order of the lots of each kind by ageing rate, fastest first, and how sure it is (arguments as for `lots`).

    Columns: technology, gas, lot, sensors, rank (of the mean rank), rank_mean, rank_low, rank_high (interval of `level`),
    p_fastest, p_slowest. From draws of all lots' shrunken rates together: ranks of raw rates would put the lots with the
    fewest readings at both ends.
    """
    column_of(lives, by)
    frames = []
    for compared in _all(model, lives, by, adjust):
        grouped = compared.grouped
        for part in np.unique(grouped.part[grouped.slope >= 0]):
            able = np.flatnonzero((grouped.slope >= 0) & (grouped.part == part))
            if able.size > 1:
                frames.append(_ranks(compared, able, level, np.random.default_rng(random_state)))
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=RANK_COLUMNS)


RANK_COLUMNS = [
    "technology", "gas", "lot", "sensors", "rank", "rank_mean", "rank_low", "rank_high", "p_fastest", "p_slowest",
]  # fmt: skip


def _ranks(compared: Compared, able: IntArray, level: float, rng: np.random.Generator) -> pd.DataFrame:
    grouped = compared.grouped
    rates = grouped.contrasts(grouped.rows(grouped.slope[able]))
    drawn = draw_effects(rates.estimate, rates.covariance, DRAWS, rng)
    ranks = drawn.argsort(axis=1).argsort(axis=1) + 1
    low, high = np.quantile(ranks, [0.5 - level / 2, 0.5 + level / 2], axis=0, method="nearest")
    table = pd.DataFrame(
        {
            "technology": compared.source.stratum.technology,
            "gas": compared.source.stratum.gas,
            "lot": compared.names[able],
            "sensors": grouped.sensors[able],
            "rank_mean": ranks.mean(0),
            "rank_low": low.astype(int),
            "rank_high": high.astype(int),
            "p_fastest": (ranks == 1).mean(0),
            "p_slowest": (ranks == able.size).mean(0),
        }
    ).sort_values(["rank_mean", "lot"], ignore_index=True)
    table["rank"] = np.arange(1, able.size + 1)
    return table[RANK_COLUMNS]
