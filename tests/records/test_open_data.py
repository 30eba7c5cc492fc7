"""Open calibration records of real sensors, that no one here made, come in through a mapping alone.

Source: the asset-management records of the Ocean Observatories Initiative (read in place, see its README).
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from sensorhealth.records import Fleet

TECHNOLOGIES = {"ooi_o2_amperometric": "electrochemical", "ooi_radiometer": "infrared", "ooi_conductivity": "metal oxide"}


@pytest.mark.parametrize("name", TECHNOLOGIES)
def test_open_records_come_in_by_a_mapping_alone(open_data: Path, name: str) -> None:
    raw = pd.read_csv(open_data / f"{name}.csv", dtype=str)
    mapping = {
        "headroom_kind": "reading",
        "calibrations": {
            "columns": {"sensor_id": "unit", "time": "cal_date", "headroom": "rel_span", "lot": "group"},
            "constants": {"kind": "span", "applied": 0.6},  # its end: three fifths of the first span
        },
        "sensors": {"constants": {"gas": "O2", "technology": TECHNOLOGIES[name], "unit": "%vol"}},
    }
    fleet = Fleet.from_tables(None, raw, mapping=mapping)
    account = fleet.reconciliation.set_index("table").loc["calibrations"]
    assert account["rows_in"] == len(raw) == account["rows_used"] + account["rows_set_aside"]
    assert account["rows_used"] >= 0.97 * len(raw), fleet.findings["finding"].value_counts()
    assert fleet.sensors["sensor_id"].nunique() == raw["unit"].nunique()
