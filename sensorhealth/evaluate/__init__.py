"""Whether to believe the forecasts: scores, baselines, and the track record on the user's own past."""

from .beside import LARGEST, beside
from .past import past_dates
from .track_record import TrackRecord, track_record

__all__ = ["LARGEST", "TrackRecord", "beside", "past_dates", "track_record"]
