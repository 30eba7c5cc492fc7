"""What a reading says, and whether the sensor, the gas or the handling is at fault."""

from sensorhealth.health.baselines import Baselines, baselines
from sensorhealth.health.cylinders import judge_cylinders
from sensorhealth.health.examine import Examined, examine
from sensorhealth.health.headroom import readings
from sensorhealth.health.life_table import lives
from sensorhealth.health.oddities import Oddities, find_oddities
from sensorhealth.health.path_filter import PathPrior
from sensorhealth.health.response import response_times
from sensorhealth.health.retest import retest_list
from sensorhealth.health.trend_findings import trend_findings
from sensorhealth.health.verdict import Verdict, verdict
from sensorhealth.health.zero import zero_drift, zero_events

__all__ = [
    "Baselines", "Examined", "Oddities", "PathPrior", "Verdict", "baselines", "examine", "find_oddities", "judge_cylinders",
    "lives", "readings", "response_times", "retest_list", "trend_findings", "verdict", "zero_drift", "zero_events",
]  # fmt: skip
