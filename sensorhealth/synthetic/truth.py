"""The truth behind a synthetic fleet, as tables."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.synthetic.curves import CURVES
from sensorhealth.synthetic.elements import YEAR
from sensorhealth.synthetic.run import Run
from sensorhealth.synthetic.tables import Labels, day_to_time


def truth_sensors(run: Run, labels: Labels) -> pd.DataFrame:
    """One row per element (life_id: sensor_id, or sensor_id/2 after an unrecorded swap).

    end_time: when its true headroom ratio reaches 1 or it dies, whichever is first, whether or not it was removed
    before; NaT beyond 15 years. end_kind: soft, sudden or "". soft_end, sudden_end: the two apart. level: true ln
    headroom ratio when new; rate: per year, of `curve`; left: when it left its position; ln_ratio_at_end_of_records:
    its true path then, NaN if it had left.
    """
    elements = run.elements
    kept = np.nonzero(labels.element_kept)[0]
    soft, sudden = (ages[kept] for ages in elements.ends())
    installed = np.array(run.installed)[kept] + labels.shift[kept]
    left = np.array([run.left.get(int(e), np.inf) for e in kept]) + labels.shift[kept]
    left[left > run.days] = np.inf
    horizon = elements.ages[-1] * YEAR
    soft, sudden = np.where(soft <= horizon, soft, np.inf), np.where(sudden <= horizon, sudden, np.inf)
    kind, lot = elements.kind[kept], elements.lot[kept]
    now = elements.latent(kept, run.days - installed)
    return pd.DataFrame(
        {
            "sensor_id": labels.sensor_name[labels.sensor[kept]],
            "life_id": labels.life_id(kept),
            "installed": day_to_time(run, installed, "D"),
            "left": day_to_time(run, left, "D"),
            "end_time": day_to_time(run, installed + np.minimum(soft, sudden), "D"),
            "end_kind": np.where(np.isinf(np.minimum(soft, sudden)), "", np.where(soft <= sudden, "soft", "sudden")),
            "soft_end": day_to_time(run, installed + soft, "D"),
            "sudden_end": day_to_time(run, installed + sudden, "D"),
            "level": elements.level[kept].round(5),
            "rate": elements.rate[kept].round(5),
            "curve": np.array(list(CURVES), object)[elements.curve[kept]],
            "weak_at_birth": elements.weak[kept],
            "bad_lot": elements.lot_bad[kind, lot],
            "ln_ratio_at_end_of_records": np.where(np.isfinite(left), np.nan, now).round(5),
        }
    )


def truth_lots(run: Run) -> pd.DataFrame:
    """True effect of every lot: shift of the ln level, factor on the ageing rate, whether it is a bad one."""
    elements = run.elements
    rows = [
        (
            f"{kind.gas}-{chr(65 + n)}",
            kind.name,
            elements.lot_level[k, n],
            elements.lot_rate[k, n],
            elements.lot_bad[k, n],
        )
        for k, kind in enumerate(run.scenario.kinds)
        for n in range(elements.lots)
    ]
    return pd.DataFrame(rows, columns=["lot", "model", "level_shift", "rate_factor", "bad"]).round(5)


def truth_sessions(run: Run, labels: Labels, log: dict[str, NDArray]) -> pd.DataFrame:
    """True shared effect of every session of the records."""
    used = np.unique(log["session"])
    site, day, technician, effect = (np.array(column) for column in zip(*[run.bench.sessions[s] for s in used]))
    return pd.DataFrame(
        {
            "site": labels.site[site.astype(int)],
            "date": day_to_time(run, day + site % 5, "D"),
            "technician": [f"technician {chr(65 + int(t))}" for t in technician],
            "effect": effect.round(5),
        }
    )


def truth_events(run: Run, labels: Labels, log: dict[str, NDArray], row: NDArray[np.int64]) -> pd.DataFrame:
    """What happened: swap, step, poisoning, cleaning (row = 0), loose cap and contaminated zero (row in
    `calibrations`).

    size: change of ln ratio; for a swap the ln ratio of the new element, for a contaminated zero the reading left
    behind relative to the applied gas. row: per row of the log, its 1-based row in the table.
    """
    frames = []
    happened = [event for event in run.events if labels.element_kept[event[1]] and run.before <= event[2]]
    if happened:
        kind, element, day, size = (np.array(column) for column in zip(*happened))
        frames.append(_events(run, labels, kind, element.astype(int), day.astype(float), size.astype(float), 0))
    for name, column in (("loose cap", "loose_cap"), ("contaminated zero", "contamination")):
        at = np.nonzero(log[column])[0]
        if at.size:
            day = log["time"][at] - labels.shift[log["element"][at]]
            kind = np.full(at.size, name, object)
            frames.append(_events(run, labels, kind, log["element"][at], day, log[column][at], row[at]))
    columns = ["kind", "sensor_id", "life_id", "time", "size", "row"]
    if not frames:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in columns})
    return pd.concat(frames).sort_values(["time", "row", "sensor_id"], kind="stable").reset_index(drop=True)[columns]


def _events(
    run: Run,
    labels: Labels,
    kind: NDArray,
    element: NDArray[np.int64],
    day: NDArray[np.float64],
    size: NDArray[np.float64],
    row: NDArray[np.int64] | int,
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "kind": kind.astype(object),
            "sensor_id": labels.sensor_name[labels.sensor[element]],
            "life_id": labels.life_id(element),
            "time": day_to_time(run, day + labels.shift[element]),
            "size": np.round(size, 5),
            "row": row,
        }
    )
