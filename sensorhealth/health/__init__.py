"""What a reading says, and whether the sensor, the gas or the handling is at fault."""

from sensorhealth.health.headroom import readings
from sensorhealth.health.life_table import lives

__all__ = ["lives", "readings"]
