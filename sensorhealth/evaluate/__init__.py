"""Whether to believe the forecasts: scores, baselines, and the track record on the user's own past."""

from .track_record import TrackRecord, track_record

__all__ = ["TrackRecord", "track_record"]
