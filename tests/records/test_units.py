"""Units against published factors and a general library of units."""

from __future__ import annotations

import numpy as np
import pytest

from sensorhealth.records.units import MOLAR_VOLUME, factor, to_contract, unit_named
from sensorhealth.technologies import gases

pint = pytest.importorskip("pint")

# mg/m3 in one ppm at 25 degrees Celsius and 1 atm, as the NIOSH Pocket Guide to Chemical Hazards prints them to two decimals
# (values from memory).
POCKET_GUIDE = {"CO": 1.15, "H2S": 1.40, "NH3": 0.70, "Cl2": 2.90, "SO2": 2.62, "NO2": 1.88, "HCN": 1.10, "NO": 1.23, "PH3": 1.39}


@pytest.mark.parametrize(("gas", "published"), POCKET_GUIDE.items())
def test_ppm_to_milligrams_agrees_with_the_pocket_guide(gas: str, published: float) -> None:
    assert factor("ppm", "mg/m3", molar_mass=gases()[gas].molar_mass) == pytest.approx(published, rel=0.006)


def test_the_molar_volume_is_the_ideal_gas_s() -> None:
    registry = pint.UnitRegistry()
    volume = (1 * registry.molar_gas_constant * registry.Quantity(298.15, "K") / registry.Quantity(1, "atm")).to("l/mol")
    assert pytest.approx(volume.magnitude, rel=1e-9) == MOLAR_VOLUME


@pytest.mark.parametrize(("unit", "here", "there"), [("degF", "degF", "degC"), ("K", "kelvin", "degC")])
def test_temperatures_agree_with_a_library_of_units(unit: str, here: str, there: str) -> None:
    registry = pint.UnitRegistry()
    scale, shift = to_contract("temperature_c", unit)
    for value in (-40.0, 0.0, 68.0, 300.0):
        assert value * scale + shift == pytest.approx(registry.Quantity(value, here).to(there).magnitude, abs=1e-9)


@pytest.mark.parametrize(
    ("unit", "into", "basis", "expected"),
    [("%vol", "ppm", None, 1e4), ("%LEL", "ppm", 4.4, 440.0), ("%LEL", "ppm", 5.0, 500.0), ("%vol", "%LEL", 5.0, 20.0),
     ("ppb", "ppm", None, 1e-3), ("%LEL", "%LEL", None, 1.0), ("%LEL", "ppm", None, None), ("mg/m3", "ppm", None, None)],
)  # fmt: skip
def test_one_unit_becomes_another_only_where_the_way_is_known(unit: str, into: str, basis, expected) -> None:
    found = factor(unit, into, basis)
    assert found is None if expected is None else found == pytest.approx(expected, rel=1e-12)


def test_there_and_back_is_where_one_started() -> None:
    for one in ("ppm", "%vol", "%LEL", "ppb", "mg/m3"):
        for other in ("ppm", "%vol", "%LEL", "ppb", "mg/m3"):
            assert factor(one, other, 4.4, 16.043) * factor(other, one, 4.4, 16.043) == pytest.approx(1.0)  # type: ignore[operator]


@pytest.mark.parametrize(
    ("text", "unit"),
    [("PPM", "ppm"), ("Vol. %", "%vol"), ("vol%", "%vol"), ("% v/v", "%vol"), ("% LEL", "%LEL"), ("LFL", "%LEL"),
     ("µmol/mol", "ppm"), ("mg/m³", "mg/m3"), ("%", ""), ("bar", "")],
)  # fmt: skip
def test_spellings_of_units_are_known_and_a_bare_per_cent_is_not(text: str, unit: str) -> None:
    assert unit_named(text) == unit


def test_a_number_that_states_its_unit_is_read_in_that_unit(tables) -> None:
    spoilt = tables.changed("calibrations", 1, applied="0.0025 %vol", headroom="55 ppm", as_found="25,5ppm")
    spoilt = spoilt.changed("cylinders", 1, concentration="25 ppm")
    fleet = spoilt.fleet(mapping={"decimal": ","})
    row = fleet.calibrations[fleet.calibrations["row"] == 1].iloc[0]
    assert row[["applied", "headroom", "as_found"]].tolist() == pytest.approx([25.0, 55.0, 25.5])
    assert fleet.cylinders["concentration"].iloc[0] == 25.0 and fleet.findings.empty
    how = fleet.understood.set_index(["table", "column"])["how"]
    assert how["calibrations", "applied"] == "number with %vol" and how["cylinders", "concentration"] == "number with ppm"


def test_a_unit_that_cannot_be_is_not_guessed(tables) -> None:
    fleet = tables.changed("calibrations", 1, temperature_c="20 ppm").changed("calibrations", 2, applied="25 bar").fleet()
    assert fleet.findings[["row", "column", "done"]].to_numpy().tolist() == [
        [2, "applied", "set aside"],
        [1, "temperature_c", "kept"],
    ]
    assert np.isnan(fleet.calibrations.loc[fleet.calibrations["row"] == 1, "temperature_c"].iloc[0])
