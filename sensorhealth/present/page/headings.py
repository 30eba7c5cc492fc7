"""Short headings for columns, where the name alone does not read well. The meaning in full stands in the
nomenclature."""

HEADINGS = {
    "sensor_id": "sensor",
    "instrument_id": "instrument",
    "cylinder_id": "cylinder",
    "headroom_ratio": "headroom ratio now",
    "ageing_per_year": "ageing, ln ratio a year",
    "rul_days_p50": "remaining days",
    "p_end_90d": "chance to end in 90 days",
    "p_end_180d": "chance to end in 180 days",
    "p_end_365d": "chance to end in 365 days",
    "p_end_before_warranty_end": "chance to end in warranty",
    "p_next_calibration_fails": "chance that the next calibration fails",
    "horizon_capped": "cut at the longest time looked ahead",
    "mode": "likelier end",
    "reason": "why",
    "risk_until_visit": "chance to end before the visit",
    "over_risk": "over the accepted risk",
    "confidence": "chance that it is needed",
    "status": "forecast from",
    "bias": "true over label",
    "fade_per_day": "fade a day, ln",
    "p_off": "chance that it is off",
    "p_out_of_tolerance": "chance to be out of tolerance",
    "ratio_to_rest": "times the others",
    "start_to_rest": "starting level, times the others",
    "life_years": "mean life, years",
    "cumulative_expected_cost": "cost so far",
    "cumulative_p10_cost": "cost so far, 10 %",
    "cumulative_p90_cost": "cost so far, 90 %",
    "p_value": "p",
    "q_value": "q",
    "error_ratio": "reads, times the truth",
    "expected_count": "replacements",
    "p10_count": "replacements, 10 %",
    "p50_count": "replacements, median",
    "p90_count": "replacements, 90 %",
    "expected_cost": "expected cost",
    "cumulative_expected_count": "replacements so far",
    "p10_cost": "cost, 10 %",
    "p50_cost": "cost, median",
    "p90_cost": "cost, 90 %",
    "horizon_days": "days ahead",
    "std_error": "standard error",
}

LOW_HIGH = {
    ("forecast", "rul_days_p50"): ("rul_days_p05", "rul_days_p95"),
    ("forecast", "headroom_ratio"): ("headroom_ratio_p05", "headroom_ratio_p95"),
    ("lots", "ageing_per_year"): ("low", "high"),
    ("lots", "ratio_to_rest"): ("ratio_low", "ratio_high"),
    ("lots", "start_to_rest"): ("start_low", "start_high"),
    ("lots", "life_years"): ("life_low", "life_high"),
    ("cylinder_effects", "bias"): ("low", "high"),
    ("budget", "expected_count"): ("p10_count", "p90_count"),
    ("budget", "expected_cost"): ("p10_cost", "p90_cost"),
    ("budget", "cumulative_expected_count"): ("cumulative_p10_count", "cumulative_p90_count"),
    ("budget", "cumulative_expected_cost"): ("cumulative_p10_cost", "cumulative_p90_cost"),
}

AS_FACTORS = {("cylinder_effects", "bias")}

WORDED = {
    "status": {
        "forecast": "own readings", "group forecast": "others of its kind", "at end": "at its end", "no forecast": "none",
    },
    "mode": {"soft": "headroom used up", "sudden": "sudden"},
}  # fmt: skip
