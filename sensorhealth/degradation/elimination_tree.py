"""In which order the columns go: a tree of blocks, each of which meets only its own columns and its ancestors'.

Cylinders that stay within regions make one block a region. Effects that reach over regions (lots over sites, cylinders
over sessions) would tie everything together; such a class is kept back, the rest falls apart into blocks, and what they
leave for the columns kept back is added up: nested dissection (George 1973, SIAM J. Numer. Anal. 10:345-363) with whole
classes, smallest first, as separators.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from sensorhealth.degradation.reml_data import IntArray

SMALL_BLOCK = 64  # components are put together up to this number of columns
LARGE_BLOCK = 200  # columns of a component from which on it is worth taking apart
WORTH_IT = 0.6  # largest share of its columns that the largest part may keep
NOTHING = np.empty(0, dtype=np.int64)


@dataclass(frozen=True)
class Skeleton:
    """The tree before it is known which ancestors' columns each leaf meets. Nodes stand before their parents.

    Leaves come first: those with columns, then one per inner node for sensors that meet only columns kept back, and
    one for sensors that meet none.
    """

    own: tuple[IntArray, ...]  # columns of every node, rising
    parent: tuple[int, ...]  # -1 none
    node_of_column: IntArray  # (C,)
    leaves: int  # number of leaves with columns of their own
    inner: int  # number of inner nodes, the last ones

    @property
    def loose(self) -> int:
        """Leaf of the sensors that meet no column."""
        return self.leaves + self.inner

    def sensor_leaves(self, columns: IntArray, offsets: IntArray) -> IntArray:
        """Leaf of every sensor (n,) from the columns (N, K) of its readings."""
        count = np.diff(offsets)
        out = np.full(len(count), self.loose, dtype=np.int64)
        open_ = np.flatnonzero(count > 0)
        for k in range(columns.shape[1]):  # mostly the first reading tells
            met = columns[offsets[open_], k]
            node = np.where(met >= 0, self.node_of_column[met], self.loose)
            out[open_] = np.where(node < self.leaves, node, self.loose)
            open_ = open_[node >= self.leaves]
        if not len(open_) or not columns.size:
            return out
        size = count[open_]
        readings = np.repeat(offsets[open_] - (np.cumsum(size) - size), size) + np.arange(int(size.sum()))
        sensor = np.repeat(open_, size)
        met = columns[readings]
        node = np.where(met >= 0, self.node_of_column[met], len(self.own))
        np.minimum.at(out, np.repeat(sensor, met.shape[1]), self._leaf_for(node).ravel())
        return out

    def _leaf_for(self, node: IntArray) -> IntArray:
        """Leaf of a sensor that meets a node, such that the smallest over its nodes is the right one."""
        loose_leaf = node - self.inner - 1
        return np.where(node < self.leaves, node, np.where(node < len(self.own), loose_leaf, self.loose))

    def borders(self, columns: IntArray, offsets: IntArray, leaf_of_sensor: IntArray) -> dict[int, IntArray]:
        """Columns kept back that the sensors of each leaf meet."""
        if not self.inner:
            return {}
        leaf = np.repeat(leaf_of_sensor, np.diff(offsets))
        keys = []
        for k in range(columns.shape[1]):
            real = columns[:, k] >= 0
            kept = np.flatnonzero(real)[self.node_of_column[columns[real, k]] > self.loose]
            key = leaf[kept] * len(self.node_of_column) + columns[kept, k]
            keys.append(np.unique(key[np.flatnonzero(np.diff(key, prepend=-1))]))
        key = np.unique(np.concatenate(keys))
        node, column = key // len(self.node_of_column), key % len(self.node_of_column)
        cuts = np.flatnonzero(np.diff(node, prepend=-1))
        return {int(node[a]): column[a:b] for a, b in zip(cuts, [*cuts[1:], len(node)])}


@dataclass(frozen=True)
class Node:
    """A block of the tree: its own columns and those of its ancestors that it meets."""

    own: IntArray
    border: IntArray  # rising
    parent: int
    into: IntArray  # position of each border column in the parent's own + border


def grow(skeleton: Skeleton, borders: dict[int, IntArray]) -> tuple[Node, ...]:
    """Borders of all nodes from those of the leaves."""
    found: list[IntArray] = [borders.get(k, NOTHING) for k in range(len(skeleton.own))]
    for k, parent in enumerate(skeleton.parent):
        found[k] = np.setdiff1d(found[k], skeleton.own[k], assume_unique=True)
        if parent >= 0:
            found[parent] = np.union1d(found[parent], found[k])
    nodes = []
    for own, border, parent in zip(skeleton.own, found, skeleton.parent, strict=True):
        into = NOTHING
        if parent >= 0:
            above_own, above = skeleton.own[parent], np.setdiff1d(found[parent], skeleton.own[parent])
            place = np.searchsorted(above_own, border)
            is_own = np.isin(border, above_own)
            into = np.where(is_own, place, len(above_own) + np.searchsorted(above, border))
        nodes.append(Node(own, border, parent, into))
    return tuple(nodes)


def make_skeleton(first_column: IntArray, components: Callable[[int], IntArray]) -> Skeleton:
    """Take components apart while it pays.

    first_column (K+1,): bounds of the classes; components(j): component (C,) of every column where the j smallest
    classes tie nothing together (their own labels do not matter).
    """
    size = np.diff(first_column)
    total = int(first_column[-1])
    removed_at = np.repeat(np.argsort(np.argsort(size, kind="stable")), size)  # rank of each column's class
    levels, labels = [0], [components(0)]
    while levels[-1] < len(size) - 1:
        now = labels[-1][removed_at >= levels[-1]]
        largest = int(np.bincount(now).max(initial=0))
        if largest <= LARGE_BLOCK:
            break
        for j in range(levels[-1] + 1, len(size)):
            parts = components(j)
            if np.bincount(parts[removed_at >= j]).max(initial=0) <= WORTH_IT * largest:
                levels.append(j)
                labels.append(parts)
                break
        else:
            break
    return _assemble(total, removed_at, levels, labels)


def _assemble(total: int, removed_at: IntArray, levels: list[int], labels: list[IntArray]) -> Skeleton:
    """Nodes from the accepted levels: separators of level i are the classes removed between levels i and i + 1."""
    above = np.full(total, -1, dtype=np.int64)  # nearest inner node over each column, numbered from the root
    inner: list[tuple[IntArray, int]] = []
    for i in range(len(levels) - 1):
        kept = np.flatnonzero((removed_at >= levels[i]) & (removed_at < levels[i + 1]))
        number = np.full(int(labels[i].max(initial=-1)) + 1, -1, dtype=np.int64)
        for columns in _groups(labels[i][kept], kept):
            number[labels[i][columns[0]]] = len(inner)
            inner.append((columns, int(above[columns[0]])))
        deeper = removed_at >= levels[i + 1]
        here = number[labels[i]]
        above = np.where(deeper & (here >= 0), here, above)
    leaf_columns = np.flatnonzero(removed_at >= levels[-1])
    leaves = _leaves(labels[-1], leaf_columns, above)
    count, depth = len(leaves), len(inner)
    last = count + 2 * depth  # nodes: leaves, loose leaf of each inner node, loose leaf, inner nodes from the deepest

    def index(number: int) -> int:
        return -1 if number < 0 else last - number

    own = [columns for columns, _ in leaves] + [NOTHING] * (depth + 1) + [columns for columns, _ in reversed(inner)]
    parent = [index(up) for _, up in leaves] + [index(number) for number in range(depth - 1, -1, -1)] + [-1]
    parent += [index(up) for _, up in reversed(inner)]
    node_of_column = np.empty(total, dtype=np.int64)
    for k, columns in enumerate(own):
        node_of_column[columns] = k
    return Skeleton(tuple(own), tuple(parent), node_of_column, count, depth)


def _groups(labels: IntArray, columns: IntArray) -> Iterable[IntArray]:
    """Columns by label, rising within each."""
    order = np.argsort(labels, kind="stable")
    cuts = np.flatnonzero(np.diff(labels[order])) + 1
    return np.split(columns[order], cuts) if len(columns) else []


def _leaves(labels: IntArray, columns: IntArray, above: IntArray) -> list[tuple[IntArray, int]]:
    """Components under one inner node are put together while they stay small; columns and number of that node."""
    out: list[tuple[IntArray, int]] = []
    current: list[IntArray] = []
    filled = 0
    groups = sorted(_groups(labels[columns], columns), key=lambda group: (above[group[0]], group[0]))
    for group in groups:
        if current and (above[group[0]] != above[current[0][0]] or filled + len(group) > SMALL_BLOCK):
            out.append((np.sort(np.concatenate(current)), int(above[current[0][0]])))
            current, filled = [], 0
        current.append(group)
        filled += len(group)
    if current:
        out.append((np.sort(np.concatenate(current)), int(above[current[0][0]])))
    return out
