"""How long each sensor has: first passage, sudden ends, and both combined into one distribution of remaining life."""

from .calibration import Calibration, with_own_past
from .falls import Falls
from .falls_learnt import learn_falls
from .forecast import forecast_table, next_calibration_fails
from .remaining import RemainingLife, remaining_draws, remaining_life
from .sudden import SuddenLife
from .worn import gas_in

__all__ = [
    "Calibration",
    "Falls",
    "RemainingLife",
    "SuddenLife",
    "forecast_table",
    "gas_in",
    "learn_falls",
    "next_calibration_fails",
    "remaining_draws",
    "remaining_life",
    "with_own_past",
]
