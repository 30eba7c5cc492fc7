"""What the tests of the findings ask of a fleet."""

from __future__ import annotations

import pandas as pd

from sensorhealth.records import Fleet


def found(fleet: Fleet, name: str) -> pd.DataFrame:
    return fleet.findings[fleet.findings["finding"] == name]


def only(fleet: Fleet, name: str) -> pd.Series:
    """The one finding of a fleet, which must be `name`."""
    assert fleet.findings["finding"].tolist() == [name], fleet.findings[["finding", "row", "value", "reason"]].to_string()
    return fleet.findings.iloc[0]


def cell(fleet: Fleet, row: int, column: str) -> object:
    return fleet.calibrations.set_index("row").loc[row, column]
