"""Where the track record finds intervals too narrow, the report's own forecasts are widened by what was learnt, and say so."""

from __future__ import annotations

from typing import Any

import pandas as pd

import sensorhealth
from sensorhealth.evaluate import TrackRecord
from sensorhealth.life import Calibration


def test_the_correction_learnt_is_applied_and_told(fleet_of: Any) -> None:
    plain = sensorhealth.analyse(fleet_of(40, 7), as_of="2024-06-30", model={"curves": "exponential"})
    note = "Spread of the latent path multiplied by (all 2.50), learnt from 400 past forecasts of readings."
    none = pd.DataFrame()
    wide = TrackRecord(none, none, none, none, "", Calibration(2.5, {}, 400, note), (), ()).corrected(plain)
    assert TrackRecord(none, none, none, none, "", Calibration(), (), ()).corrected(plain) is plain
    assert note in wide.notes and note not in plain.notes
    assert (wide.as_of, wide.policy) == (plain.as_of, plain.policy)
    both = plain.forecast.merge(wide.forecast, on="sensor_id", suffixes=("_plain", "_wide")).dropna(
        subset="headroom_ratio_p95_wide"
    )
    spread = {name: both[f"headroom_ratio_p95_{name}"] - both[f"headroom_ratio_p05_{name}"] for name in ("plain", "wide")}
    assert len(both) > 10
    assert (spread["wide"] > 1.3 * spread["plain"]).mean() > 0.9
    pd.testing.assert_frame_equal(wide.zero_drift, plain.zero_drift)
    pd.testing.assert_frame_equal(wide.response_times, plain.response_times)
    claims = wide.lots("lot", alpha=0.05)  # compared anew, with the forecasts as they are now
    pd.testing.assert_frame_equal(wide.lots_table, claims, check_exact=True)
