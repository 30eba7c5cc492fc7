"""Studies of whole fleets of known truth: what is found of what is there, and what is found where nothing is."""

from __future__ import annotations

import pytest

from sensorhealth.synthetic import Scenario, simulate

from .score import Count, looked_at, score

SENSORS = 300


@pytest.mark.slow
def test_steps_swaps_and_bad_readings_are_found_and_what_is_told_is_true(study_size) -> None:
    counts = {name: Count() for name in ("down", "swap", "single")}
    for seed in range(study_size(10)):
        made = simulate(n_sensors=SENSORS, seed=700 + seed)
        score(made, *looked_at(made), counts)
    for name, count in counts.items():
        assert count.recall >= 0.9, f"{name}: {count.found} of {count.there} found"
        assert count.precision >= 0.9, f"{name}: {count.true} of {count.told} true"


@pytest.mark.slow
def test_a_fleet_that_only_ages_and_dies_yields_next_to_no_flags(study_size) -> None:
    """Weak gas, worn and dead sensors, rounding, missing values, and none of the faults that are searched for."""
    calm = Scenario.demo(
        step_per_year=0.0, poisoning_per_site_year=0.0, cleanings=False, loose_cap_share=0.0, contaminated_zero_share=0.0,
        unrecorded_swap_share=0.0, odd_factor=0.0,
    )  # fmt: skip
    flags, fleets = 0, study_size(10)
    for seed in range(fleets):
        odd, _ = looked_at(simulate(n_sensors=SENSORS, seed=800 + seed, scenario=calm))
        low_once = odd.single_readings["recovered"].eq(True).fillna(False)
        flags += len(odd.steps) + int(low_once.sum())
    assert flags <= fleets
