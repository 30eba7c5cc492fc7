"""How sensors age: an arrays-only kernel (reml.py) and the estimator that users call (AgeingModel)."""

from __future__ import annotations

from sensorhealth.degradation.model import AgeingModel
from sensorhealth.degradation.posterior import PathPosterior

__all__ = ["AgeingModel", "PathPosterior"]
