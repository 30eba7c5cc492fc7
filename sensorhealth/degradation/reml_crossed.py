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
    left, right = none if left is None else left, none if right is None else right
    out = np.zeros(len(sensor))
    unit_of_sensor, place = layout.unit_of_sensor
    order = np.argsort(unit_of_sensor[sensor], kind="stable")
    cuts = np.searchsorted(unit_of_sensor[sensor][order], np.arange(len(layout.units) + 1))
    local = np.full(width, -1, dtype=np.int64)
    far: list[IntArray] = []
    for k in np.flatnonzero(np.diff(cuts)):
        columns = layout.blocks[layout.units[k].block].columns
        local[columns] = np.arange(len(columns))
        step = max(1, CHUNK_CELLS // max(len(columns), 1))
        for begin in range(cuts[k], cuts[k + 1], step):
            rows = order[begin : min(begin + step, cuts[k + 1])]
            near = _reach(left[rows], local) & _reach(right[rows], local)
            far.append(rows[~near])
            rows = rows[near]
            if len(rows):
                table = so.sums.pairs(int(k)).take(place[sensor[rows]])
                theta = so.eliminated.covariances[layout.units[k].block]
                tl, tr = _local(left[rows], local, len(columns)), _local(right[rows], local, len(columns))
                out[rows] = _dense_terms(tl, tr, table, sl[:, rows], sr[:, rows], theta)
        local[columns] = -1
    rest = np.concatenate(far) if far else np.empty(0, dtype=np.int64)
    return _add_far(out, rest, sensor, left, right, sl, sr, so)


def _reach(rows: Rows, local: IntArray) -> np.ndarray:
    """Whether all columns of each row are in the front (r,)."""
    outside = np.concatenate(([0], np.cumsum(local[rows.indices] < 0)))
    return outside[rows.indptr[1:]] == outside[rows.indptr[:-1]]


def _local(rows: Rows, local: IntArray, width: int) -> Rows:
    """Rows in the front's own columns (r, width)."""
    return sparse.csr_array((rows.data, local[rows.indices], rows.indptr), shape=(rows.shape[0], width))


def _dense_terms(left: Rows, right: Rows, table: FloatArray, sl: FloatArray, sr: FloatArray, theta: FloatArray) -> FloatArray:
    """The terms within one front, on the columns that occur."""
    used = np.unique(np.concatenate((left.indices, right.indices)))
    if not len(used):
        return np.zeros(left.shape[0])
    tl, tr = left[:, used].toarray(), right[:, used].toarray()
    out = np.einsum("mc,mc->m", tl @ theta[np.ix_(used, used)], tr)
    for rows, s in ((tl, sr), (tr, sl)):
        if rows.any():
            own = s[0, :, None] * table[0] + s[1, :, None] * table[1]
            out -= np.einsum("mc,mc->m", own @ theta[:, used], rows)
    return out


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
