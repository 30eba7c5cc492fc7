"""Units of the records: what may be written, and how one becomes the other.

Volume fractions: 1 %vol = 10 000 ppm. 100 %LEL is a concentration in %vol that depends on the gas and the standard
followed (methane: 4.4 in IEC 60079-20-1, 5.0 in others; from memory). mg/m3 = ppm x molar mass / molar volume, the
molar volume of an ideal gas being 24.45 l/mol at 25 degrees Celsius and 101.325 kPa (R T / p with the SI's exact R).
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

MOLAR_VOLUME = 8.31446261815324 * 298.15 / 101.325
"""Litres per mole of an ideal gas at 25 degrees Celsius and 101.325 kPa."""

CONCENTRATION_UNITS = ("ppm", "%vol", "%LEL", "ppb", "mg/m3")
COLUMN_UNITS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "temperature_c": ("degC", "degF", "K"),
        "humidity_pct": ("%", "ratio"),
        "response_seconds": ("s", "ms", "min"),
        "span_gain": ("ratio", "%"),
        "gain_limit": ("ratio", "%"),
        "tolerance_pct": ("%", "ratio"),
        "lel_basis": ("%vol", "ppm"),
    }
)
_SCALES = MappingProxyType(
    {
        ("temperature_c", "degF"): (5.0 / 9.0, -160.0 / 9.0),
        ("temperature_c", "K"): (1.0, -273.15),
        ("humidity_pct", "ratio"): (100.0, 0.0),
        ("response_seconds", "ms"): (0.001, 0.0),
        ("response_seconds", "min"): (60.0, 0.0),
        ("span_gain", "%"): (0.01, 0.0),
        ("gain_limit", "%"): (0.01, 0.0),
        ("tolerance_pct", "ratio"): (100.0, 0.0),
        ("lel_basis", "ppm"): (1e-4, 0.0),
    }
)
_SPELLINGS = MappingProxyType(
    {
        "ppm": "ppm", "ppmv": "ppm", "umol/mol": "ppm", "μmol/mol": "ppm", "vpm": "ppm", "ppm(v)": "ppm",
        "%vol": "%vol", "vol%": "%vol", "%v/v": "%vol", "vol.%": "%vol", "%vol.": "%vol", "volumepercent": "%vol",
        "vol-%": "%vol", "vol.-%": "%vol", "%byvolume": "%vol", "%(v/v)": "%vol",
        "%lel": "%LEL", "lel%": "%LEL", "lel": "%LEL", "%lfl": "%LEL", "lfl": "%LEL",
        "percentlel": "%LEL", "%leg": "%LEL",
        "ppb": "ppb", "ppbv": "ppb", "nmol/mol": "ppb",
        "mg/m3": "mg/m3", "mg/m³": "mg/m3", "mg/m^3": "mg/m3",
    }
)  # fmt: skip


def unit_named(text: str) -> str:
    """The unit that `text` spells, or "" where it is not known. A bare "%" is not known: %vol or %LEL?"""
    return _SPELLINGS.get("".join(text.casefold().split()), "")


def to_contract(column: str, unit: str) -> tuple[float, float]:
    """Factor and shift that bring a column recorded in `unit` to the contract's unit of that column."""
    return _SCALES.get((column, unit), (1.0, 0.0))


def ppm_per(unit: str, lel_basis: float | None, molar_mass: float | None) -> float | None:
    """How many ppm one `unit` is; None where the %LEL basis (%vol) or the molar mass (g/mol) it needs is not known."""
    if unit == "ppm":
        return 1.0
    if unit == "%vol":
        return 10_000.0
    if unit == "ppb":
        return 1e-3
    if unit == "%LEL":
        return None if lel_basis is None else 100.0 * lel_basis
    if unit == "mg/m3":
        return None if molar_mass is None else MOLAR_VOLUME / molar_mass
    return None


def factor(unit: str, into: str, lel_basis: float | None = None, molar_mass: float | None = None) -> float | None:
    """What to multiply a concentration in `unit` with to have it in `into`; None where that is not known."""
    if unit == into:
        return 1.0
    above, below = ppm_per(unit, lel_basis, molar_mass), ppm_per(into, lel_basis, molar_mass)
    return None if above is None or below is None else above / below
