"""The track record beside the analysis is the one made alone; what goes wrong there is told here."""

from __future__ import annotations

import importlib
import multiprocessing
import os
import signal
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from sensorhealth import Fleet, second_core
from sensorhealth.analysis import Analysis, analyse, analyse_and_look_back, decided
from sensorhealth.cli import main
from sensorhealth.decide import Policy
from sensorhealth.errors import RecordsError
from sensorhealth.evaluate import TrackRecord, beside, past_dates, track_record
from sensorhealth.health import lives as lives_of
from sensorhealth.life import Calibration
from sensorhealth.outlook import look_ahead
from sensorhealth.present.files import Parts, parts_of
from sensorhealth.records.fleet import end_of

LookedBack = tuple[Analysis, TrackRecord | None, list[Parts]]
TOO_EARLY = pd.Timestamp("1999-01-01")


@pytest.fixture(scope="module")
def fleet(fleet_of: Any) -> Fleet:
    found: Fleet = fleet_of(40, 11)
    return found


@pytest.fixture(scope="module")
def looked_back(fleet: Fleet) -> LookedBack:
    """The analysis of the present, its track record, and what was made of the present meanwhile."""
    made: list[Parts] = []
    return *analyse_and_look_back(fleet, meanwhile=lambda present: made.append(parts_of(present))), made


def test_it_is_the_record_made_alone(fleet: Fleet) -> None:
    date = past_dates(fleet, 1)
    with beside(fleet, Policy(), date) as past:
        past.ask(lives_of(fleet))
        found = past.record()
    alone = track_record(fleet, as_of_dates=date)
    assert found is not None
    pd.testing.assert_frame_equal(found.table, alone.table)
    pd.testing.assert_frame_equal(found.forecasts, alone.forecasts)
    assert found.sentence == alone.sentence


def test_records_too_short_to_look_back_leave_none(fleet: Fleet) -> None:
    with beside(fleet, Policy(), [TOO_EARLY]) as past:
        past.ask(lives_of(fleet))
        assert past.record() is None


def test_a_process_that_is_stopped_is_one_clear_error(fleet: Fleet) -> None:
    with beside(fleet, Policy(), past_dates(fleet, 1)) as past:
        past._worker.terminate()
        past._worker.join()
        with pytest.raises(RecordsError, match="no-track-record"):
            past.ask(lives_of(fleet))
            past.record()


@pytest.mark.skipif(not second_core.FORKS, reason="no safe forks on this system")
def test_a_process_whose_asker_is_killed_waits_for_nobody(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.import_module("sensorhealth.evaluate.beside"), "walk_back", lambda *asked: iter(()))

    def ask(told: Connection) -> None:
        with beside(fleet, Policy(), [TOO_EARLY]) as past:
            told.send(past._worker.pid)
            os.kill(os.getpid(), signal.SIGKILL)

    here, there = multiprocessing.Pipe(duplex=False)
    asker = multiprocessing.get_context("fork").Process(target=ask, args=(there,))
    asker.start()
    worker = Path(f"/proc/{here.recv()}/stat")
    asker.join()
    until = time.monotonic() + 20.0
    while worker.exists() and worker.read_text().rsplit(")", 1)[1].split()[0] != "Z":
        assert time.monotonic() < until
        time.sleep(0.05)


def test_what_fails_there_fails_here(fleet: Fleet) -> None:
    with beside(fleet, Policy(), past_dates(fleet, 1)) as past, pytest.raises(KeyError):
        past.ask(pd.DataFrame({"life_id": []}))
        past.record()


def test_who_asks_need_not_wait_however_much_he_sends(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    module = importlib.import_module("sensorhealth.evaluate.beside")
    monkeypatch.setattr(module, "walk_back", lambda *asked: time.sleep(1.5) or iter(()))
    monkeypatch.setattr(module, "compared", lambda fleet, policy, found, lives, gas: len(lives))
    with beside(fleet, Policy(), [TOO_EARLY]) as past:
        begun = time.monotonic()
        past.ask(pd.DataFrame({"life_id": np.arange(2_000_000)}))  # 16 MB
        assert time.monotonic() - begun < 1.0
        assert past.record() == 2_000_000


def test_a_correction_known_beforehand_leads_where_one_that_comes_later_does(fleet: Fleet) -> None:
    """Deciding first, and again where the past says so, leads where deciding with the correction does."""
    day, policy = fleet.calibrations["time"].max().normalize(), Policy(budget_months=6)
    known, ahead = fleet.known_at(end_of(day)), look_ahead(fleet.known_at(end_of(day)), day, policy)
    wider = Calibration(overall=1.5)
    at_once = decided(ahead.corrected(wider, day, policy), known, day, policy)
    first = decided(ahead, known, day, policy)
    again = first.recast(wider)
    assert not at_once.forecast.equals(first.forecast)
    for table in ("forecast", "plan", "budget", "lots_table"):
        pd.testing.assert_frame_equal(getattr(at_once, table), getattr(again, table))


def test_only_what_was_known_on_the_day_is_read(fleet: Fleet) -> None:
    day = pd.Timestamp("2024-06-30")
    later = fleet.calibrations["time"] > day
    other = Fleet.from_tables(
        fleet.sensors, fleet.calibrations.assign(headroom=fleet.calibrations["headroom"].where(~later, 1.0))
    )
    one, two = (analyse_and_look_back(each, day, dates=1)[1] for each in (fleet, other))
    assert one is not None and two is not None
    pd.testing.assert_frame_equal(one.table, two.table)


def test_the_report_says_how_good_forecasts_were_unless_told_not_to(
    fleet: Fleet, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    records = tmp_path / "records"
    records.mkdir()
    fleet.sensors.to_csv(records / "sensors.csv", index=False)
    fleet.calibrations.to_csv(records / "calibrations.csv", index=False)
    assert main(["report", str(records), "--out", str(tmp_path / "with")]) == 0
    assert "Forecasts made six months ahead were" in capsys.readouterr().out
    assert "Forecasts made six months ahead were" in (tmp_path / "with" / "report.html").read_text(encoding="utf-8")
    assert pd.read_csv(tmp_path / "with" / "track_record.csv")["as_of"].nunique() == 1
    assert main(["report", str(records), "--out", str(tmp_path / "without"), "--no-track-record"]) == 0
    assert "were not tried on your own past records" in capsys.readouterr().out
    assert pd.read_csv(tmp_path / "without" / "track_record.csv").empty


def test_what_is_made_of_the_present_meanwhile_is_what_is_written(looked_back: LookedBack, tmp_path: Path) -> None:
    analysis, record, (parts,) = looked_back
    assert record is not None and parts.analysis is analysis
    for name, given in (("beforehand", parts), ("anew", None)):
        analysis.write(tmp_path / name, track_record=record, parts=given)
    files = sorted(path.name for path in (tmp_path / "anew").iterdir())
    assert all((tmp_path / "beforehand" / name).read_bytes() == (tmp_path / "anew" / name).read_bytes() for name in files)


def test_parts_of_another_analysis_are_not_taken_for_this_one(fleet: Fleet, looked_back: LookedBack, tmp_path: Path) -> None:
    now = looked_back[0]
    before = analyse(fleet, fleet.calibrations["time"].max() - pd.Timedelta(days=200))
    now.write(tmp_path / "given", parts=parts_of(before))
    now.write(tmp_path / "anew")
    for name in ("plan.csv", "report.html"):
        assert (tmp_path / "given" / name).read_bytes() == (tmp_path / "anew" / name).read_bytes()
