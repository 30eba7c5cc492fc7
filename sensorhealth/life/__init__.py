"""How long each sensor has: first passage, sudden ends, and both combined into one distribution of remaining life."""

from .calibration import Calibration, with_own_past
from .forecast import forecast_table, next_calibration_fails
from .remaining import RemainingLife, remaining_draws, remaining_life
from .sudden import SuddenLife

__all__ = [
    "Calibration",
    "RemainingLife",
    "SuddenLife",
    "forecast_table",
    "next_calibration_fails",
    "remaining_draws",
    "remaining_life",
    "with_own_past",
]
