"""Bring open calibration records of real sensor fleets into the contract's three tables.

    python tools/open_records.py ../shared/opendata OUT [--end 0.8]

writes OUT/<fleet>/sensors.csv and calibrations.csv, to be read by `sensorhealth report OUT/<fleet> --out ...`.
Source: NSF Ocean Observatories Initiative asset-management records (calibration and deployment tables). The records are
relative spans, so the headroom ratio is relative span / end, where `end` is the relative span at which a unit counts as
used up; no cylinder is recorded. What looks like a service between two calibrations is left for the analysis to find.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import pandas as pd

# gas, technology and unit that stand in for what these units measure; the groups of the source are the lots
FLEETS = {
    "ooi_o2_amperometric": ("O2", "electrochemical", "%vol"),
    "ooi_radiometer": ("light", "infrared", "ppm"),
    "ooi_conductivity": ("salt", "electrochemical", "ppm"),
}


def tables(source: pd.DataFrame, gas: str, technology: str, unit: str, end: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sensors and calibrations tables of the contract from one file of open records.

    source has the columns unit, group, cal_date and rel_span.
    """
    first = source.groupby("unit", sort=False).first()
    sensors = pd.DataFrame(
        {
            "sensor_id": first.index,
            "gas": gas,
            "technology": technology,
            "unit": unit,
            "installed": first["cal_date"].to_numpy(),
            "lot": first["group"].to_numpy(),
        }
    )
    calibrations = pd.DataFrame(
        {
            "sensor_id": source["unit"],
            "time": source["cal_date"],
            "kind": "span",
            "applied": 1.0,
            "headroom": (source["rel_span"] / end).round(6),
        }
    )
    return sensors, calibrations


def main() -> None:
    """Write one fleet folder for each open file found."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("source", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--end", type=float, default=0.8, help="relative span that counts as used up (default 0.8)")
    args = parser.parse_args()
    for name, (gas, technology, unit) in FLEETS.items():
        path = args.source / f"{name}.csv"
        if not path.is_file():
            print(f"{path}: not here, left out")
            continue
        folder = args.out / name
        folder.mkdir(parents=True, exist_ok=True)
        sensors, calibrations = tables(pd.read_csv(path), gas, technology, unit, args.end)
        sensors.to_csv(folder / "sensors.csv", index=False)
        calibrations.to_csv(folder / "calibrations.csv", index=False)
        print(f"{folder}: {len(sensors)} sensors, {len(calibrations)} calibrations")


if __name__ == "__main__":
    main()
