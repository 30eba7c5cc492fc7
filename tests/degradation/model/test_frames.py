"""Readings into strata: the order in which they are fitted."""

from __future__ import annotations

import numpy as np

from sensorhealth.degradation.frames import _order


def test_readings_come_by_stratum_life_age_and_row_however_they_stand() -> None:
    """Against numpy's sort by several keys; half of the records hold the readings of a life together and in order."""
    rng = np.random.default_rng(1202)
    in_order = 0
    for case in range(200):
        lives = int(rng.integers(1, 30))
        stratum, place = rng.integers(0, 3, lives), rng.permutation(lives)
        life = np.repeat(place, rng.integers(0, 6, lives))
        age, row = rng.integers(0, 5, life.size).astype(float), rng.permutation(life.size)
        known = np.lexsort((row, age, life, stratum[life]))
        if case % 2:
            together = np.lexsort((row, age, np.argsort(place)[life]))
            age, row = age[together], row[together]
            known, in_order = np.lexsort((row, age, life, stratum[life])), in_order + 1
        np.testing.assert_array_equal(_order(stratum, life, age, row), known)
    assert in_order == 100
