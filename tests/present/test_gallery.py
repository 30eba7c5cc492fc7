"""What the gallery picks from an analysis, and how tables and track records are shown."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from sensorhealth.errors import RecordsError
from sensorhealth.present import gallery, style
from sensorhealth.present.charts.lots import lots_data
from sensorhealth.present.page import tables
from sensorhealth.present.report import report_html


@pytest.fixture(scope="module")
def record() -> SimpleNamespace:
    """A track record made by hand; its numbers are invented."""
    table = pd.DataFrame(
        {
            "as_of": [pd.Timestamp("2025-01-01"), pd.NaT], "forecaster": "this model", "measure": "ends expected",
            "horizon_days": 180.0, "value": [3.0, 11.0], "std_error": 1.0, "count": 40, "note": "",
        }
    )  # fmt: skip
    bins = pd.DataFrame(
        {
            "forecaster": ["this model", "this model", "a simple rule"], "horizon_days": [180, 90, 180],
            "forecast": [0.2, 0.1, 0.9], "happened": [0.25, 0.1, 0.1], "count": [40, 40, 40],
        }
    )  # fmt: skip
    return SimpleNamespace(
        table=table,
        reliability=bins,
        sentence="Forecasts were right on average: 11 expected, 12 came.",
        notes=("Two were no ends.",),
    )


def test_track_record_stands_in_the_report_where_it_was_run(analysis: SimpleNamespace, record: SimpleNamespace) -> None:
    with_it, without = report_html(analysis, track_record=record), report_html(analysis)
    assert with_it.count(record.sentence) == 2
    assert "Chance and outcome, 180 days ahead" in with_it
    assert "Two were no ends." in with_it and "Two were no ends." not in without
    assert record.sentence not in without and "were not tried on your own past records" in without


def test_reliability_is_that_of_this_model_at_the_asked_horizon(record: SimpleNamespace) -> None:
    ax = gallery.chance_and_outcome(record, 180)
    np.testing.assert_allclose(ax.collections[-1].get_offsets(), [[0.2, 0.25]])


def test_sudden_end_is_said_beside_the_path(analysis: SimpleNamespace) -> None:
    sudden = SimpleNamespace(**vars(analysis))
    sudden.forecast = analysis.forecast.assign(mode="sudden")
    words = " ".join(style.svg(gallery.sensor_path(sudden, "S00003")).split()).replace("\u00a0", " ")
    assert "headroom does not" in words
    assert "headroom does not" not in style.svg(gallery.sensor_path(analysis, "S00003")).replace("\u00a0", " ")


def test_sensor_that_is_not_there_is_one_clear_error(analysis: SimpleNamespace) -> None:
    with pytest.raises(RecordsError, match="no sensor 'S99999' in service"):
        gallery.sensor_path(analysis, "S99999")


def test_soonest_are_the_soonest(analysis: SimpleNamespace) -> None:
    named = [label.get_text() for label in gallery.soonest(analysis, 5).get_yticklabels()]
    ahead = analysis.forecast[analysis.forecast["status"] != "no forecast"].nsmallest(5, "rul_days_p50")
    assert named == ahead["sensor_id"].tolist()


def test_picture_of_a_notebook_carries_words(analysis: SimpleNamespace) -> None:
    data, facts = gallery.show(gallery.budget(analysis))._repr_png_()
    assert data.startswith(b"\x89PNG") and facts == {"alt": "Cost by month"}


def test_rows_say_how_many_are_left_out(analysis: SimpleNamespace) -> None:
    shown = gallery.rows("plan", analysis.plan, "sensor_id", "action", first=3)
    assert "60 rows, the first 3 shown" in shown.html and len(repr(shown).splitlines()) == 3


def test_intervals_stand_with_their_middle(analysis: SimpleNamespace) -> None:
    column = tables.column("forecast", "rul_days_p50")
    row = {"rul_days_p50": 100.0, "rul_days_p05": 40.0, "rul_days_p95": 1240.0}
    assert tables.show(row, column) == "100 (40 to 1\u202f240)"
    assert tables.show(row | {"rul_days_p50": float("nan")}, column) == "unknown"


def test_verdict_of_the_comparison_decides_which_lot_stands_out(analysis: SimpleNamespace) -> None:
    """A small q value within the margin that matters is no verdict."""
    judged = analysis.lots_table.assign(verdict=["different, within the margin", "worse", "cannot tell", "cannot tell"])
    assert lots_data(judged).query("marker == 'D'")[["lot", "kind"]].to_numpy().tolist() == [["L2", "electrochemical, H2S"]]


def test_figures_have_no_false_digits_and_rows_no_empty_names() -> None:
    frame = pd.DataFrame(
        {"cost_now": [103697.27, 2.0], "share": [0.05, np.nan], "late": [True, False], "site": ["<b>", "Mill Lane"]},
        index=pd.MultiIndex.from_tuples([("Brier score", 90.0), ("ends_missed", np.nan)]),
    )
    shown = gallery.figures(frame)
    assert repr(shown).splitlines() == ["Brier score 90  103\u202f697  0.050  yes  <b>", "ends missed  2  –  no  Mill Lane"]
    assert '<th scope="col">cost now</th>' in shown.html and "<b>" not in shown.html and "&lt;b&gt;" in shown.html


def test_first_screen_of_a_notebook_gives_the_six_answers(analysis: SimpleNamespace) -> None:
    shown = gallery.first_screen(analysis)
    assert shown.html.count("<tr>") == 6 and "How much money?" in repr(shown)
