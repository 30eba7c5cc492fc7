"""What a track record says in a sentence, and what correction it teaches."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ..life.calibration import Calibration, learn_factor
from .measures import ENOUGH_ENDS
from .past import MODEL

FEWEST_READINGS = 40  # fewer next readings teach no correction
STRATUM_READINGS = 150  # a kind of sensor with fewer shares the correction of all
FEWEST_ENDS = 10  # expected and come together, below which no word is said of their balance
NARROWEST = 0.8  # next readings lie near: that they fall closer than feared says little of forecasts a long way ahead
CLEAR = 2.0  # a factor nearer to 1 than this many standard errors is left at 1


def learnt(blocks: Sequence[pd.DataFrame], before: pd.Timestamp | None) -> Calibration:
    """The correction that this model's past forecasts of readings teach, from readings taken before a date (None: all)."""
    mine = [block[block["forecaster"] == MODEL] for block in blocks]
    mine = [block for block in mine if len(block)]
    if not mine:
        return Calibration()
    rows = pd.concat(mine, ignore_index=True)
    rows = rows[rows["error"].notna() & ((rows["time"] < before) if before is not None else True)]
    if len(rows) < FEWEST_READINGS:
        return Calibration(note=f"No correction: only {len(rows)} past forecasts of readings to learn one from.")
    overall = _factor(rows)
    by_stratum = {str(name): _factor(own) for name, own in rows.groupby("stratum") if len(own) >= STRATUM_READINGS}
    changed = {name: value for name, value in by_stratum.items() if value != 1.0}
    if overall == 1.0 and not changed:
        note = f"No correction needed: over {len(rows)} past forecasts of readings the spread was right."
    else:
        told = [f"{name} {value:.2f}" for name, value in changed.items()] or [f"all {overall:.2f}"]
        note = f"Spread of the latent path multiplied by ({', '.join(told)}), learnt from {len(rows)} past forecasts of readings."
    return Calibration(overall, by_stratum, len(rows), note)


def _factor(rows: pd.DataFrame) -> float:
    together = rows.groupby(["as_of", "stratum", "shared"], sort=False).ngroup().to_numpy()
    missed, latent, reading = (rows[name].to_numpy(dtype=float) for name in ("error", "latent_sd", "reading_sd"))
    factor, error = learn_factor(missed, latent, reading, together)
    return max(factor, NARROWEST) if abs(np.log(factor)) > CLEAR * error else 1.0


def sentence(table: pd.DataFrame) -> str:
    """The track record in two sentences, over all dates together: ends six months ahead, and next readings."""
    rows = table[table["as_of"].isna()]

    def value(measure: str, forecaster: str = MODEL, horizon: float | None = None, column: str = "value") -> float:
        found = rows[(rows["measure"] == measure) & (rows["forecaster"] == forecaster)]
        found = found if horizon is None else found[found["horizon_days"] == horizon]
        return float(found[column].iloc[0]) if len(found) else float("nan")

    expected, came = (value(name, horizon=180) for name in ("ends expected", "ends that came"))
    name = "coverage of the 90 % interval of remaining life"
    first = _ends_sentence(expected, came, value(name, column="count"), value(name), value(name, column="std_error"))
    mae, held = (value(f"next reading: {name}") for name in ("mean absolute error (ln ratio)", "coverage of the 90 % interval"))
    if np.isnan(mae):
        return first + " No later reading to compare with."
    others = rows[(rows["measure"] == "next reading: mean absolute error (ln ratio)") & ~rows["forecaster"].str.startswith(MODEL)]
    best = others.sort_values("value", kind="stable").iloc[0]
    second = (
        f"The next reading was forecast to {100 * np.expm1(mae):.1f} % on average, where the best simple rule "
        f"({best['forecaster']}) came to {100 * np.expm1(best['value']):.1f} %; 90 % intervals held {100 * held:.0f} %."
    )
    return f"{first} {second}"


def _ends_sentence(expected: float, came: float, ended: float, held: float, error: float) -> str:
    if np.isnan(expected):
        return "No forecast could be followed for six months."
    counts = f"{expected:.0f} {'end' if round(expected) == 1 else 'ends'} expected, {came:.0f} came"
    if expected + came < FEWEST_ENDS:
        start = f"Forecasts made six months ahead met too few ends to be judged: {counts}"
    else:
        start = f"Forecasts made six months ahead were {_judgement(expected, came)}: {counts}"
    if ended >= ENOUGH_ENDS:
        return f"{start}, and the 90 % intervals of remaining life held {100 * held:.0f} % of lives{_width(held, error)}."
    known = "No life has" if not ended else "Only 1 life has" if ended == 1 else f"Only {ended:.0f} lives have"
    return f"{start}. {known} ended, too few to judge the intervals of remaining life (about {ENOUGH_ENDS} are needed)."


def _width(held: float, error: float) -> str:
    """What the share of lives that 90 % intervals held says of them, beyond what chance may have done."""
    if abs(held - 0.9) < max(CLEAR * error, 0.05):
        return ""
    return ": they were too narrow" if held < 0.9 else ": they were wider than need be"


def _judgement(expected: float, came: float) -> str:
    """In a word, given the scatter that chance alone gives a count."""
    off = (came - expected) / np.sqrt(max(expected, came, 1.0))
    return "right on average" if abs(off) < 2.0 else "too hopeful" if off > 0 else "too gloomy"
