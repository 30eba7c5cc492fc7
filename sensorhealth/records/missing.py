"""What a fleet's records do not say, and what that costs the analysis, in words."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from .typed import TypedTable

_COSTS: dict[str, dict[tuple[str, ...], str]] = {
    "calibrations": {
        (
            "headroom",
            "span_gain",
        ): "neither headroom nor span gain is recorded: no ageing can be read, ages at removal alone speak",
        (
            "cylinder_id",
        ): "cylinders are not recorded: weak gas is told from weak sensors by session (site, day, technician) only",
        ("outcome",): "outcomes are not recorded: failures without a value cannot be counted",
        ("as_found",): "as-found readings are not recorded: drift between calibrations cannot be told",
        ("technician",): "technicians are not recorded: calibrations done together are told by site and day only",
        ("applied",): "the applied concentration is not recorded: headroom can be judged only where the cylinder's label says it",
        ("temperature_c",): "temperature is not recorded: its effect on the readings stays in the noise",
        ("zero_offset",): "zero offsets are not recorded: zero drift cannot be shown",
        ("response_seconds",): "response times are not recorded: slow sensors cannot be told from response",
    },
    "sensors": {
        ("lot",): "lots are not recorded: lots cannot be compared",
        ("site",): "sites are not recorded: visits cannot be planned by site",
        ("warranty_end",): "warranty ends are not recorded: no claim can be planned",
        (
            "removed",
        ): "removals are not recorded: a sensor that is not calibrated any more while its site goes on is taken as removed",
        ("removal_reason",): "reasons of removal are not recorded: sudden deaths cannot be told from precaution",
        ("manufactured",): "dates of manufacture are not recorded: time on the shelf does not count as age",
        ("unit_cost",): "unit costs are not recorded: the policy's default price is used",
    },
}


def missing_notes(tables: Mapping[str, TypedTable]) -> list[str]:
    """One note for each thing that no row of the records says."""
    notes = []
    if tables["sensors"].source.startswith("sensors inferred"):
        notes.append(
            "there is no table of sensors: sensors are told from their calibrations; where no date of installation is "
            "stated, age counts from the first calibration and is too low for a sensor that was in service before"
        )
    if not len(tables["cylinders"].frame):
        notes.append("there is no table of cylinders: labels, expiry dates and ages of the gas cannot be checked")
    for table, costs in _COSTS.items():
        frame = tables[table].frame
        for names, cost in costs.items():
            if not any(bool(np.any(frame[name].notna().to_numpy())) for name in names):
                notes.append(cost)
    return notes + _gains_without_limit(tables["sensors"], tables["calibrations"]) + _headroom_without_gas(tables)


def _gains_without_limit(sensors: TypedTable, calibrations: TypedTable) -> list[str]:
    """A gain says how near the end is only beside the largest gain there can be."""
    gain, headroom = (calibrations.frame[name].notna().to_numpy() for name in ("span_gain", "headroom"))
    bounded = sensors.frame.loc[sensors.frame["gain_limit"].notna(), "sensor_id"].dropna()
    lost = gain & ~headroom & ~calibrations.frame["sensor_id"].isin(bounded).to_numpy()
    if not lost.any():
        return []
    return [
        f"{int(lost.sum())} calibrations record a span gain and no headroom, and their sensors have no gain limit: such a "
        "gain does not say how near the end is; state gain_limit, the largest gain that the instrument allows (a column of "
        "the sensors, or a constant)"
    ]


def _headroom_without_gas(tables: Mapping[str, TypedTable]) -> list[str]:
    """A headroom says how near the end is only beside the concentration that was applied."""
    calibrations, cylinders = tables["calibrations"].frame, tables["cylinders"].frame
    labelled = cylinders.loc[cylinders["concentration"].notna(), "cylinder_id"].dropna()
    silent = calibrations["headroom"].notna() & calibrations["applied"].isna() & ~calibrations["cylinder_id"].isin(labelled)
    lost = int(silent.sum())
    if not lost or lost == int(calibrations["headroom"].notna().sum()):
        return []
    return [
        f"{lost} calibrations record a headroom, but neither they nor the label of a cylinder say which concentration was "
        "applied: what they say of the headroom is not used"
    ]
