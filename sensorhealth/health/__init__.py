"""What a reading says, and whether the sensor, the gas or the handling is at fault."""

from sensorhealth.health.headroom import readings
from sensorhealth.health.life_table import lives
from sensorhealth.health.oddities import Oddities, find_oddities

__all__ = ["Oddities", "find_oddities", "lives", "readings"]
