"""sensorhealth reads years of gas-sensor calibrations and says how each sensor ages, when it ends and what to do.

The whole way in three lines::

    fleet = sensorhealth.read_fleet("records/")
    analysis = sensorhealth.analyse(fleet, as_of="2026-03-31")
    analysis.write("out/")

A forecast is not a proof of function: bump tests and calibrations go on unchanged.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .analysis import Analysis, analyse
    from .decide import Policy
    from .degradation import AgeingModel
    from .errors import FitError, OutputError, PolicyError, RecordsError, SensorHealthError
    from .life import SuddenLife
    from .records import Fleet, read_fleet
    from .synthetic import simulate

__version__ = "0.1.0"

_HOMES = {
    "read_fleet": "records",
    "Fleet": "records",
    "analyse": "analysis",
    "Analysis": "analysis",
    "AgeingModel": "degradation",
    "SuddenLife": "life",
    "Policy": "decide",
    "simulate": "synthetic",
    "SensorHealthError": "errors",
    "RecordsError": "errors",
    "PolicyError": "errors",
    "FitError": "errors",
    "OutputError": "errors",
}

__all__ = [
    "AgeingModel",
    "Analysis",
    "FitError",
    "Fleet",
    "OutputError",
    "Policy",
    "PolicyError",
    "RecordsError",
    "SensorHealthError",
    "SuddenLife",
    "__version__",
    "analyse",
    "read_fleet",
    "simulate",
]


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used, so that importing the package stays quick."""
    if name not in _HOMES:
        raise AttributeError(f"module 'sensorhealth' has no attribute {name!r}")
    return getattr(import_module(f".{_HOMES[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted(set(globals()) | set(_HOMES))
