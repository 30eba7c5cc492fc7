"""A fleet: three tables of records that have passed the door, and the account of what did not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from .. import nomenclature

AFTER_AS_OF = "after the as-of date"


@dataclass(frozen=True, eq=False)
class Fleet:
    """Sensors, their calibrations and the gas cylinders, typed, in the contract's units, and an account of every row.

    sensors, calibrations, cylinders: every column of the nomenclature's table of that name, plus `row`, the 1-based
    data row in the source (0 where the row was inferred). Text is "" where missing, numbers NaN, times NaT (UTC,
    without zone). Calibrations, sorted by sensor_id, time and row, also have `attempt` (1, 2, ... within a run of
    retries) and `outcome_recorded` (the outcome in the words of the source). findings: what was set aside, corrected,
    kept or doubted, and why. reconciliation: table, rows_in, rows_used, rows_set_aside. notes: what is missing, and
    what that costs. source: where it came from. understood: how each column was read (table, column, heading, how,
    filled, unreadable, lowest, highest, example).
    """

    sensors: pd.DataFrame
    calibrations: pd.DataFrame
    cylinders: pd.DataFrame
    findings: pd.DataFrame
    reconciliation: pd.DataFrame
    notes: tuple[str, ...]
    source: str
    understood: pd.DataFrame

    @classmethod
    def from_tables(
        cls,
        sensors: pd.DataFrame | None,
        calibrations: pd.DataFrame,
        cylinders: pd.DataFrame | None = None,
        *,
        mapping: Mapping[str, Any] | Path | str | None = None,
        corrections: bool = True,
    ) -> Fleet:
        """The fleet that these DataFrames hold; `sensors` None where there is no such table.

        mapping and corrections as for `read_fleet`. Raises RecordsError where a table cannot be used at all.
        """
        from .intake import take_in
        from .readers.frames import frame_source

        given = {"sensors": sensors, "calibrations": calibrations, "cylinders": cylinders}
        sources = {name: frame_source(frame, name) for name, frame in given.items() if frame is not None}
        return take_in(sources, "tables given from Python", mapping=mapping, corrections=corrections)

    def write(self, path: Path | str) -> None:
        """Write the three tables in the contract's form: an Excel workbook where `path` ends in .xlsx, else a folder of CSV.

        What is written reads back as the same tables. Whole or not at all; raises OutputError with one clear line.
        """
        from . import outputs
        from .workbooks import workbook_bytes

        tables = {name: getattr(self, name)[list(nomenclature.columns(name))] for name in nomenclature.TABLES_IN}
        if str(path).lower().endswith(".xlsx"):
            outputs.write_file(workbook_bytes(tables), path)
        else:
            files = {f"{name}.csv": outputs.csv_bytes(table, digits=None) for name, table in tables.items()}
            outputs.write_folder(files, path, part="fleet")

    @property
    def selective_recording(self) -> bool:
        """Whether the records were kept mostly on failures, so that rates of ageing or failure must not be read from
        them."""
        return bool((self.findings["finding"] == "only failures kept").any())

    def known_at(self, as_of: pd.Timestamp | str) -> Fleet:
        """The fleet as it was known at `as_of` (inclusive): nothing that happened later is in it.

        Calibrations up to then; sensors installed up to then, with later removals blanked; cylinders opened up to
        then; no finding about a later row. Rows left out are counted in the reconciliation and in one finding for
        each table.
        """
        moment = np.datetime64(pd.Timestamp(as_of).tz_localize(None) if pd.Timestamp(as_of).tzinfo is None else
                               pd.Timestamp(as_of).tz_convert("UTC").tz_localize(None), "us")  # fmt: skip
        kept = {
            "sensors": self.sensors[self.sensors["installed"].to_numpy() <= moment],
            "calibrations": self.calibrations[self.calibrations["time"].to_numpy() <= moment],
            "cylinders": self.cylinders[~(self.cylinders["opened"].to_numpy() > moment)],
        }
        kept["calibrations"] = kept["calibrations"][kept["calibrations"]["sensor_id"].isin(kept["sensors"]["sensor_id"])]
        if all(len(frame) == len(getattr(self, name)) for name, frame in kept.items()) and not (
            (self.sensors["removed"].to_numpy() > moment).any() or (self.findings["time"].to_numpy() > moment).any()
        ):
            return self
        sensors = kept["sensors"].reset_index(drop=True)
        later = sensors["removed"].to_numpy() > moment
        sensors.loc[later, "removed"] = pd.NaT
        sensors.loc[later, "removal_reason"] = ""
        findings = self.findings[~(self.findings["time"].to_numpy() > moment)]
        return replace(
            self,
            sensors=sensors,
            calibrations=kept["calibrations"].reset_index(drop=True),
            cylinders=kept["cylinders"].reset_index(drop=True),
            **_account(self, kept, findings, moment),
        )


def _account(fleet: Fleet, kept: Mapping[str, pd.DataFrame], findings: pd.DataFrame, moment: np.datetime64) -> dict[str, Any]:
    """Findings and reconciliation of the fleet without its later rows: every row that went is counted."""
    account = fleet.reconciliation.copy()
    account["rows_used"] = [int((kept[name]["row"] > 0).sum()) for name in account["table"]]
    account["rows_set_aside"] = account["rows_in"] - account["rows_used"]
    known = findings[(findings["done"] == "set aside") & (findings["finding"] != AFTER_AS_OF)]
    listed = known.groupby("table")["count"].sum()
    later = account.set_index("table")["rows_set_aside"].sub(listed, fill_value=0).astype(int)
    day = str(moment.astype("datetime64[D]"))
    added = [
        {"table": table, "finding": AFTER_AS_OF, "done": "set aside", "count": count,
         "reason": f"what was recorded after {day} is not read"}
        for table, count in later.items() if count > 0
    ]  # fmt: skip
    from .bench import findings_table

    rest = findings[findings["finding"] != AFTER_AS_OF]
    return {"findings": findings_table([rest, pd.DataFrame(added)]), "reconciliation": account}


def end_of(day: pd.Timestamp) -> pd.Timestamp:
    """Its last moment: what came in on the as-of date is known on it."""
    return day.normalize() + pd.Timedelta(days=1) - pd.Timedelta(microseconds=1)
