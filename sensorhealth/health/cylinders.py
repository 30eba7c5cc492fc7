"""Is it the gas? What the ageing model's cylinder effects say of every cylinder, with the false flags of all held."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health.false_discovery import flag_by_posterior
from sensorhealth.health.two_groups import Places, two_groups
from sensorhealth.health.wording import cylinder_advice, stock_ratios
from sensorhealth.nomenclature import columns
from sensorhealth.technologies import gases

FloatArray = NDArray[np.float64]
YEAR_DAYS = 365.25
TOLERANCE = 0.05
REACTIVE_TOLERANCE = 0.10
LEAST_LIMIT, MOST_LIMIT = 0.03, 0.04
LEAST_SENSORS = 3
LEAST_LINKED = 2
LEAST_PROBABILITY = 0.5
KEY = ["cylinder_id", "gas"]


def judge_cylinders(
    effects: pd.DataFrame,
    cylinders: pd.DataFrame,
    readings: pd.DataFrame,
    fdr: float = 0.05,
    *,
    residuals: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """What is held of each cylinder, one row per cylinder and gas, columns as in the nomenclature (cylinder_effects).

    effects: cylinder_effects_ of the ageing model (cylinder_id, gas, bias, bias_sd, fade_per_year, fade_sd,
    correlation, prior_sd, sensors, readings, last_used_days). cylinders: the contract's table. readings: those of the
    fit; residuals: those of the model, aligned with them, for the number of sensors that read low.

    Prior: before any reading nineteen cylinders of twenty are ordinary, their bias normal with half the stated
    tolerance as standard deviation (0.05, or 0.10 for a reactive gas, where none is stated), and one of twenty is
    odd, with a bias of anything up to 30 %; how large ordinary ones are and how many are odd is then learnt from all
    cylinders of a gas. A level or slow drift that all cylinders of a site share is held to be its sensors', not its gas.

    p_out_of_tolerance answers whether the certificate still holds. The flag answers whether the bench should act. Weak
    gas makes good sensors look worn, so it counts from `limit` on: what 95 % of the ordinary cylinders of the gas stay
    within, but at least 3 %, at most 4 %, and never more than the tolerance. So a cylinder 5 % weak is found although a
    tolerance of 10 % allows it, and one within 2 % is left alone. Strong gas counts from the tolerance on. Flags go up in
    order of probability as long as the expected share of false ones among all flagged stays within `fdr`. With fewer than
    three sensors on it, or with sensors that were read on no other cylinder, it says that it cannot tell.
    """
    if effects.empty:
        return pd.DataFrame(columns=list(columns("cylinder_effects")))
    table = _likelihood(effects, cylinders)
    table = table.merge(_uses(readings, effects, residuals), on=KEY, how="left")
    posterior = [_judge_gas(part) for _, part in table.groupby("gas", sort=True)]
    table = pd.concat(posterior).sort_index()
    known = (table["sensors"] >= LEAST_SENSORS) & (table["linked"] >= LEAST_LINKED)
    table["flagged"] = False
    table.loc[known, "flagged"] = flag_by_posterior(table.loc[known, "p_off"].to_numpy(), fdr, LEAST_PROBABILITY)
    table["direction"] = np.where(table["flagged"], np.where(table["bias"] < 0, "weak", "strong"), "")
    table["judgement"] = np.where(table["flagged"], table["direction"], np.where(known, "in order", "cannot tell"))
    wrong = table["flagged"] & _at_stock_ratio(table, cylinders)
    table.loc[wrong, "judgement"] = "wrong concentration"
    table["advice"] = cylinder_advice(table)
    table = table.sort_values(["flagged", "p_off", "cylinder_id"], ascending=[False, False, True])
    return table[list(columns("cylinder_effects"))].reset_index(drop=True)


def _likelihood(effects: pd.DataFrame, cylinders: pd.DataFrame) -> pd.DataFrame:
    """Estimate and variance of each cylinder's bias at its last use without the fit's own shrinkage, strata together.

    A posterior (m, v) under the prior N(M, P) comes from an estimate M + (m - M) P / (P - v) of variance v P / (P - v).
    """
    years = effects["last_used_days"].fillna(0.0) / YEAR_DAYS
    fade, fade_sd = effects["fade_per_year"].fillna(0.0), effects["fade_sd"].fillna(0.0)
    mean = effects["bias"] + fade * years
    cross = effects["correlation"].fillna(0.0) * effects["bias_sd"] * fade_sd
    variance = effects["bias_sd"] ** 2 + 2 * years * cross + years**2 * fade_sd**2
    prior = effects["prior_sd"] ** 2 + years**2 * effects["fade_prior_sd"] ** 2
    before = effects["prior_mean"] + years * effects["fade_prior_mean"]
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.where(prior > variance * (1 + 1e-6), prior / (prior - variance), np.inf)
        weight = np.where(np.isfinite(gain), 1 / (variance * gain), 0.0)
        estimate = np.where(np.isfinite(gain), before + (mean - before) * gain, 0.0)
    frame = effects[KEY].assign(weight=weight, weighted=weight * estimate, fade=weight * fade)
    for name in ("sensors", "readings"):
        frame[name] = effects[name]
    table = frame.groupby(KEY, sort=True).sum().reset_index()
    with np.errstate(divide="ignore", invalid="ignore"):
        table["variance"] = 1 / table["weight"]
        table["estimate"] = np.where(table["weight"] > 0, table["weighted"] / table["weight"], 0.0)
        table["fade_per_day"] = np.where(table["weight"] > 0, table["fade"] / table["weight"], 0.0) / YEAR_DAYS
    return table.merge(_tolerance(table, cylinders), on=KEY, how="left")


def _tolerance(table: pd.DataFrame, cylinders: pd.DataFrame) -> pd.DataFrame:
    """Tolerance (ratio) of each cylinder, as stated or as is usual for the gas (common practice, no source)."""
    reactive = {name for name, gas in gases().items() if gas.reactive}
    usual = np.where(table["gas"].isin(reactive), REACTIVE_TOLERANCE, TOLERANCE)
    stated = cylinders.drop_duplicates(KEY).set_index(KEY)[["tolerance_pct", "expires"]]
    found = stated.reindex(pd.MultiIndex.from_frame(table[KEY].astype(object)))
    ratio = found["tolerance_pct"].to_numpy(dtype=float) / 100
    frame = table[KEY].copy()
    frame["tolerance"] = np.where(ratio > 0, ratio, usual)
    frame["expires"] = found["expires"].to_numpy()
    return frame


def _uses(readings: pd.DataFrame, effects: pd.DataFrame, residuals: pd.DataFrame | None) -> pd.DataFrame:
    """First and last reading on each cylinder, sensors on it that were read on another too, and sensors that read
    low."""
    gas = effects.drop_duplicates("stratum").set_index("stratum")["gas"]
    cylinder, names = pd.factorize(readings["cylinder"], sort=True)
    stratum, strata = pd.factorize(readings["stratum"])
    of_stratum, gases_met = pd.factorize(pd.Series(strata).map(gas), sort=True)
    kind = np.append(of_stratum, -1)[stratum]
    life = pd.factorize(readings["life_id"])[0]
    met = pd.unique(life * (len(names) + 1) + cylinder) // (len(names) + 1)
    linked = np.bincount(met, minlength=life.max(initial=-1) + 1) > 1  # lives that were read on another too
    kept = np.flatnonzero((cylinder >= 0) & np.append(names != "", False)[cylinder] & (kind >= 0))
    key, life = (cylinder * (len(gases_met) + 1) + kind)[kept], life[kept]
    off = np.full(kept.size, np.nan)
    if residuals is not None:
        off = (residuals["residual"].to_numpy() + residuals["gas_effect"].to_numpy())[kept]
    first = np.zeros(int(key.max(initial=-1)) + 1, dtype=np.intp)
    first[key[::-1]] = kept[::-1]
    grouped = pd.Series(readings["time"].to_numpy()[kept]).groupby(key, sort=True)
    frame = pd.DataFrame({"first_used": grouped.min(), "last_used": grouped.max()})
    frame["site"] = readings["site"].to_numpy(dtype=object)[first[frame.index]]
    pair, pairs = pd.factorize(key * linked.size + life)
    known = ~np.isnan(off)
    own = np.bincount(pair[known], off[known], len(pairs))  # its sign is that of the mean
    at, who = np.divmod(pairs, max(linked.size, 1))
    for name, counted in (("linked", linked[who]), ("low_sensors", own < 0), ("high_sensors", own > 0)):
        frame[name] = np.bincount(at, counted, first.size)[frame.index].astype(int)
    frame["middle"] = frame["first_used"] + (frame["last_used"] - frame["first_used"]) / 2
    where, which = np.divmod(frame.index.to_numpy(dtype=np.int64), len(gases_met) + 1)
    frame.insert(0, "cylinder_id", names[where])
    frame.insert(1, "gas", gases_met[which])
    return frame.reset_index(drop=True)


def _judge_gas(table: pd.DataFrame) -> pd.DataFrame:
    """Posterior of the cylinders of one gas."""
    scale = table["tolerance"].to_numpy()
    site, _ = pd.factorize(table["site"])
    years = (table["middle"] - table["middle"].min()).dt.total_seconds().fillna(0.0).to_numpy() / (YEAR_DAYS * 86_400)
    places = Places.at(np.maximum(site, 0), years)
    posterior = two_groups(table["estimate"].to_numpy(), table["variance"].to_numpy(), scale, places)
    limit = np.minimum(scale, np.clip(2 * posterior.ordinary * scale, LEAST_LIMIT, MOST_LIMIT))
    weak = posterior.below(-limit)
    strong = 1 - posterior.below(np.log1p(scale))
    return table.assign(
        bias=posterior.average(),
        low=posterior.quantile(0.05),
        high=posterior.quantile(0.95),
        limit=limit,
        p_weak=weak,
        p_off=np.clip(weak + strong, 0.0, 1.0),
        p_out_of_tolerance=np.clip(posterior.below(np.log1p(-np.minimum(scale, 0.99))) + strong, 0.0, 1.0),
    )


def _at_stock_ratio(table: pd.DataFrame, cylinders: pd.DataFrame) -> pd.Series:
    """Whether the interval of the bias is narrow and holds the ln ratio of two stock concentrations."""
    ratios = stock_ratios(cylinders)
    inside = (table["low"].to_numpy()[:, None] <= ratios) & (ratios <= table["high"].to_numpy()[:, None])
    narrow = (table["high"] - table["low"]).to_numpy() < 0.12
    return pd.Series(inside.any(axis=1) & narrow, index=table.index)
