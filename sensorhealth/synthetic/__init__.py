"""Fleets of known truth: for the demo, the tests and the back-test of the method itself. All of it is invented."""

from sensorhealth.synthetic.arrays import ModelArrays, ModelSizes, simulate_arrays
from sensorhealth.synthetic.fleet import SyntheticFleet, simulate
from sensorhealth.synthetic.kinds import SensorKind
from sensorhealth.synthetic.large import write_large
from sensorhealth.synthetic.scenario import BadLot, Scenario

__all__ = [
    "BadLot",
    "ModelArrays",
    "ModelSizes",
    "Scenario",
    "SensorKind",
    "SyntheticFleet",
    "simulate",
    "simulate_arrays",
    "write_large",
]
