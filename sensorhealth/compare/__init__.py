"""Which lot (supplier, site, model) is worse, by how much, and how much evidence is needed to say so."""

from sensorhealth.compare.further import further_tables
from sensorhealth.compare.lots import Money, lots, running_by_lot, with_claims, with_running
from sensorhealth.compare.pairs import pairwise, ranking
from sensorhealth.compare.study import StudyBasis, power, sensors_needed, study_plan
from sensorhealth.compare.watch import first_alarms, watch

__all__ = [
    "Money",
    "StudyBasis",
    "first_alarms",
    "further_tables",
    "lots",
    "pairwise",
    "power",
    "ranking",
    "running_by_lot",
    "sensors_needed",
    "study_plan",
    "watch",
    "with_claims",
    "with_running",
]
