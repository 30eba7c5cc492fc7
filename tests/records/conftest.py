"""Small fleets of invented records, clean and spoilt, for the tests of the door."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sensorhealth.records import Fleet


@dataclass(frozen=True)
class Tables:
    """Three contract tables as a user would have them."""

    sensors: pd.DataFrame
    calibrations: pd.DataFrame
    cylinders: pd.DataFrame

    def fleet(self, **options: object) -> Fleet:
        return Fleet.from_tables(self.sensors, self.calibrations, self.cylinders, **options)  # type: ignore[arg-type]

    def with_calibrations(self, *rows: dict[str, object]) -> Tables:
        """With further rows of calibrations at the end."""
        return replace(self, calibrations=pd.concat([self.calibrations, pd.DataFrame(rows)], ignore_index=True))

    def changed(self, table: str, row: int, **cells: object) -> Tables:
        """With other cells in one row (1 = first) of one table."""
        frame = getattr(self, table).copy()
        for name, value in cells.items():
            frame[name] = frame[name].astype(object) if name in frame else None
            frame.loc[row - 1, name] = value
        return replace(self, **{table: frame})

    def write(self, folder: Path) -> Path:
        """As CSV files in `folder`."""
        folder.mkdir(parents=True, exist_ok=True)
        for name in ("sensors", "calibrations", "cylinders"):
            getattr(self, name).to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%dT%H:%M:%S")
        return folder


GASES = {
    "H2S": (25.0, "ppm", "electrochemical"),
    "CO": (100.0, "ppm", "electrochemical"),
    "CH4": (50.0, "%LEL", "catalytic bead"),
    "O2": (20.9, "%vol", "galvanic oxygen"),
}


def make_tables(sensors: int = 12, visits: int = 10) -> Tables:
    """A clean fleet: `sensors` sensors of four gases on two sites, each calibrated `visits` times a month apart."""
    rng = np.random.default_rng(5)
    people = ["A. Rahman", "B. Okoye", "C. Lind"]
    listed, calibrations = [], []
    for number in range(sensors):
        gas = list(GASES)[number % len(GASES)]
        applied, unit, technology = GASES[gas]
        listed.append(
            {
                "sensor_id": f"S{number + 1:03d}",
                "gas": gas,
                "technology": technology,
                "installed": pd.Timestamp("2021-01-04"),
                "unit": unit,
                "instrument_id": f"I{number // 4 + 1}",
                "position": str(number % 4 + 1),
                "site": ["North", "South"][number % 2],
                "lot": f"L{number % 3}",
                "supplier": "own stock",
                "model": f"{gas} cell",
                "manufactured": pd.Timestamp("2020-11-01"),
                "warranty_end": pd.Timestamp("2023-01-04"),
                "removed": pd.NaT,
                "removal_reason": "",
                "unit_cost": 150.0,
                "gain_limit": 4.0,
                "display_limit": np.nan,
                "lel_basis": 4.4 if gas == "CH4" else np.nan,
            }
        )
        for visit in range(visits):
            time = pd.Timestamp("2021-02-01 08:00") + pd.Timedelta(days=30 * visit, minutes=7 * number)
            ratio = 2.2 * np.exp(-0.1 * visit / 12 + rng.normal(0, 0.02))
            calibrations.append(
                {
                    "sensor_id": f"S{number + 1:03d}",
                    "time": time,
                    "kind": "full",
                    "cylinder_id": f"{gas}-{visit // 5}",
                    "applied": applied,
                    "zero_offset": round(rng.normal(0, 0.004) * applied, 3),
                    "as_found": round(applied * (1 + rng.normal(0, 0.03)), 2),
                    "as_left": applied,
                    "span_gain": round(4 / ratio, 4),
                    "headroom": round(ratio * applied, 2),
                    "response_seconds": round(20 + rng.normal(0, 2), 1),
                    "temperature_c": round(18 + rng.normal(0, 3), 1),
                    "humidity_pct": round(50 + rng.normal(0, 8), 1),
                    "outcome": "pass",
                    "technician": people[visit % 3],
                }
            )
    cylinders = [
        {
            "cylinder_id": f"{gas}-{number}",
            "gas": gas,
            "concentration": GASES[gas][0],
            "tolerance_pct": 2.0,
            "balance": "N2",
            "opened": pd.Timestamp("2021-02-01") + pd.Timedelta(days=150 * number),
            "expires": pd.Timestamp("2023-12-31"),
            "lot": f"G{number}",
            "supplier": "gas works",
            "unit": GASES[gas][1],
        }
        for gas in GASES
        for number in range((visits - 1) // 5 + 1)
    ]
    return Tables(pd.DataFrame(listed), pd.DataFrame(calibrations), pd.DataFrame(cylinders))


@pytest.fixture
def tables() -> Tables:
    return make_tables()


@pytest.fixture(scope="module")
def module_tables() -> Tables:
    return make_tables()
