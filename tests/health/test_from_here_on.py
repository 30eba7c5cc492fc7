"""What holds of a reading or of a later one of its life."""

from __future__ import annotations

import numpy as np

from sensorhealth.health.ends import from_here_on


def test_a_flag_counts_up_to_where_it_stands_and_no_further_back_than_its_life() -> None:
    life = np.array([0, 0, 0, 1, 1, 2, 2, 2])
    flag = np.array([0, 1, 0, 0, 0, 0, 0, 1], dtype=bool)
    rng = np.random.default_rng(1203)
    np.testing.assert_array_equal(from_here_on(flag, life), [1, 1, 0, 0, 0, 1, 1, 1])
    for _ in range(50):
        life, flag = np.sort(rng.integers(0, 6, 40)), rng.random(40) < 0.2
        known = [flag[(life == life[k]) & (np.arange(40) >= k)].any() for k in range(40)]
        np.testing.assert_array_equal(from_here_on(flag, life), known)
    assert from_here_on(np.zeros(0, dtype=bool), np.zeros(0)).size == 0
