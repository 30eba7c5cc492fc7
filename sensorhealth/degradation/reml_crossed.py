"""The crossed effects' part in the prediction error of rows: t'Th t and t'Th P_i s, leaf by leaf."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from sensorhealth.degradation.elimination_columns import quadratic
from sensorhealth.degradation.reml_data import FloatArray, IntArray
from sensorhealth.degradation.reml_solution import Solution

CHUNK_CELLS = 4_000_000  # rows x columns worked on at once
Rows = sparse.csr_array


def crossed_terms(
    sensor: IntArray, left: Rows | None, right: Rows | None, sl: FloatArray, sr: FloatArray, so: Solution
) -> FloatArray:
    """left'Th right - left'Th P_i sr - right'Th P_i sl for each row k of sensor i (m,).

    sensor (m,); left, right: sparse rows (m, C) or None for none; sl, sr (2, m). Rows whose columns all stand in the
    front of their sensor's leaf need that front only; the rest go up the tree.
    """
    layout = so.sums.layout
    width = layout.columns
    none = sparse.csr_array((len(sensor), width))
    unit_of_sensor, place = layout.unit_of_sensor
    order = np.argsort(unit_of_sensor[sensor], kind="stable")
    cuts = np.searchsorted(unit_of_sensor[sensor][order], np.arange(len(layout.units) + 1))
    tl = none if left is None else left[order]
    tr = tl if right is left else none if right is None else right[order]
    found = np.zeros(len(sensor))
    local = np.full(width, -1, dtype=np.int64)
    far: list[IntArray] = []
    for k in np.flatnonzero(np.diff(cuts)):
        columns = layout.blocks[layout.units[k].block].columns
        local[columns] = np.arange(len(columns))
        theta = so.eliminated.covariances[layout.units[k].block]
        step = max(1, CHUNK_CELLS // max(len(columns), 1))
        for begin in range(cuts[k], cuts[k + 1], step):
            some = slice(begin, min(begin + step, cuts[k + 1]))
            first, within = _local(tl, some, local, len(columns))
            other, also = (first, within) if tr is tl else _local(tr, some, local, len(columns))
            far.append(order[some][~(within & also)])
            rows = order[some]
            table = so.sums.pairs(int(k)).take(place[sensor[rows]])
            mine, theirs = (s[0, rows, None] * table[0] + s[1, rows, None] * table[1] for s in (sl, sr))
            found[rows] = np.einsum("mc,mc->m", first @ theta, other - theirs) - np.einsum("mc,mc->m", other @ theta, mine)
        local[columns] = -1
    rest = np.concatenate(far) if far else np.empty(0, dtype=np.int64)
    left, right = none if left is None else left, none if right is None else right
    return _add_far(found, rest, sensor, left, right, sl, sr, so)


def _local(rows: Rows, some: slice, local: IntArray, width: int) -> tuple[FloatArray, np.ndarray]:
    """Some rows on the front's own columns (r, width), and whether all columns of each are in the front (r,)."""
    begin, end = rows.indptr[some.start], rows.indptr[some.stop]
    count = np.diff(rows.indptr[some.start : some.stop + 1])
    row, column = np.repeat(np.arange(len(count)), count), local[rows.indices[begin:end]]
    inside = column >= 0
    out = np.zeros((len(count), width))
    np.add.at(out, (row[inside], column[inside]), rows.data[begin:end][inside])
    return out, np.bincount(row[~inside], minlength=len(count)) == 0


def _add_far(
    out: FloatArray,
    rows: IntArray,
    sensor: IntArray,
    left: Rows,
    right: Rows,
    sl: FloatArray,
    sr: FloatArray,
    so: Solution,
) -> FloatArray:
    """Rows with columns outside their sensor's front: solved up the tree, some at a time."""
    step = max(1, CHUNK_CELLS // max(so.sums.layout.columns, 1))
    for begin in range(0, len(rows), step):
        part = rows[begin : begin + step]
        i = sensor[part]
        own = [
            (so.pairs[2 * i].multiply(s[0, part, None]) + so.pairs[2 * i + 1].multiply(s[1, part, None])).tocsr()
            for s in (sl, sr)
        ]
        el = so.eliminated
        out[part] = quadratic(el, left[part], right[part] - own[1]) - quadratic(el, right[part], own[0])
    return out
