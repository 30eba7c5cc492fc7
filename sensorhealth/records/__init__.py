"""What came in: fleets read from the user's records, with every row accounted for."""

from .fleet import Fleet
from .intake import read_fleet

__all__ = ["Fleet", "read_fleet"]
