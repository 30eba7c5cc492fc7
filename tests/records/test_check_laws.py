"""One battery of laws for every check in the folder."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest

from sensorhealth import nomenclature, synthetic
from sensorhealth.records import Fleet
from sensorhealth.records.bench import CORRECTED, SET_ASIDE, Bench
from sensorhealth.records.checks import checks
from sensorhealth.records.intake import _typed
from sensorhealth.records.mapping import RecordsMapping
from sensorhealth.records.normalise import headroom_as_reading, units_together
from sensorhealth.records.readers.frames import frame_source


@pytest.fixture(scope="module")
def odd_fleet() -> synthetic.SyntheticFleet:
    return synthetic.simulate(n_sensors=60, seed=11)


def bench_before(check: ModuleType, fleet: Any, corrections: bool = True) -> Bench:
    """The bench as `check` finds it in a run over a fleet with every kind of odd row."""
    mapping = RecordsMapping()
    given = {"sensors": fleet.sensors, "calibrations": fleet.calibrations, "cylinders": fleet.cylinders}
    tables = _typed({name: frame_source(frame, name) for name, frame in given.items()}, mapping)
    bench = Bench({name: table.frame for name, table in tables.items()}, corrections)
    bench.unreadable = {name: dict(table.unreadable) for name, table in tables.items()}
    for other in checks():
        if other.ORDER >= 50 and "normalised" not in bench.notes:
            units_together(bench, mapping)
            headroom_as_reading(bench, mapping, "here")
            bench.notes.append("normalised")
        if other is check:
            return bench
        bench.apply(other.check(bench))
    raise AssertionError(f"{check.__name__} is not registered")


every_check = pytest.mark.parametrize("check", checks(), ids=lambda module: module.__name__.rsplit(".", 1)[1])


def test_no_two_checks_share_a_place_in_the_order() -> None:
    orders = [check.ORDER for check in checks()]
    assert len(orders) == len(set(orders)) >= 20


@every_check
def test_a_check_makes_only_findings_it_declares_with_reasons(check: ModuleType, odd_fleet) -> None:
    bench = bench_before(check, odd_fleet)
    before = len(bench.findings)
    batches = check.check(bench)
    bench.apply(batches)
    for frame in bench.findings[before:]:
        assert set(frame["finding"]) <= set(check.FINDINGS)
        assert set(frame["done"]) <= set(nomenclature.columns("findings")["done"].choices)
        assert (frame["reason"].astype(str).str.len() > 0).all() and (frame["count"] > 0).all()
    assert all(isinstance(meaning, str) and len(meaning) > 10 for meaning in check.FINDINGS.values())


@every_check
def test_a_check_points_at_rows_that_are_there_each_once(check: ModuleType, odd_fleet) -> None:
    bench = bench_before(check, odd_fleet)
    for batch in check.check(bench):
        rows = len(bench.tables[batch.table])
        assert batch.at.dtype.kind == "i" and ((batch.at >= 0) & (batch.at < rows)).all()
        assert len(np.unique(batch.at)) == len(batch.at)
        for values in (batch.values, batch.reasons, *batch.changes.values()):
            assert values is None or len(values) == len(batch.at)
        if batch.done == CORRECTED and batch.changes == {}:
            assert check.__name__.endswith("dates_swapped")  # there the reader has read the right date already


@every_check
def test_a_check_has_nothing_more_to_set_aside_after_itself(check: ModuleType, odd_fleet) -> None:
    bench = bench_before(check, odd_fleet)
    bench.apply(check.check(bench))
    aside = dict(bench.set_aside)
    bench.apply([batch for batch in check.check(bench) if batch.done == SET_ASIDE])
    assert bench.set_aside == aside


@every_check
def test_a_check_corrects_nothing_where_corrections_are_off(check: ModuleType, odd_fleet) -> None:
    bench = bench_before(check, odd_fleet, corrections=False)
    before = {name: frame.copy() for name, frame in bench.tables.items()}
    bench.apply(check.check(bench))
    assert not any((frame["done"] == CORRECTED).any() for frame in bench.findings)
    if "impossible" in check.__name__:
        return  # blanks a value that cannot be
    for name in ("time", "applied", "headroom", "sensor_id"):
        pd.testing.assert_series_equal(bench.tables["calibrations"][name], before["calibrations"][name])


@every_check
def test_a_check_does_nothing_on_clean_records(check: ModuleType, tables) -> None:
    assert sum(len(batch.at) for batch in check.check(bench_before(check, tables))) == 0


def test_findings_do_not_depend_on_the_order_of_the_sensors(odd_fleet) -> None:
    one = Fleet.from_tables(odd_fleet.sensors, odd_fleet.calibrations, odd_fleet.cylinders)
    shuffled = odd_fleet.sensors.sample(frac=1, random_state=2)
    other = Fleet.from_tables(shuffled, odd_fleet.calibrations, odd_fleet.cylinders.sample(frac=1, random_state=3))

    def told(fleet: Fleet) -> pd.DataFrame:
        findings = fleet.findings[fleet.findings["table"] == "calibrations"]
        return findings.sort_values(["row", "finding"]).reset_index(drop=True)

    pd.testing.assert_frame_equal(told(one), told(other))
    pd.testing.assert_frame_equal(one.calibrations, other.calibrations)


def test_a_second_reading_of_what_was_used_finds_nothing_to_set_aside(odd_fleet) -> None:
    first = Fleet.from_tables(odd_fleet.sensors, odd_fleet.calibrations, odd_fleet.cylinders)
    again = Fleet.from_tables(first.sensors, first.calibrations, first.cylinders)
    assert not (again.findings["done"].isin(["set aside", "corrected"])).any()
    assert len(again.calibrations) == len(first.calibrations)


def test_odd_rows_of_known_truth_are_found_and_no_others_are_set_aside(odd_fleet) -> None:
    fleet = Fleet.from_tables(odd_fleet.sensors, odd_fleet.calibrations, odd_fleet.cylinders)
    truth = odd_fleet.truth["truth_odd_rows"].set_index("row")["kind"]
    findings = fleet.findings[fleet.findings["table"] == "calibrations"]
    dealt = findings[findings["done"].isin(["set aside", "corrected"])]
    assert set(dealt["row"]) <= set(truth.index)
    must = truth[
        truth.isin(["duplicate", "near duplicate", "clock reset", "future", "unknown sensor", "impossible value", "unit mix-up"])
    ]
    assert set(must.index) <= set(dealt["row"])
