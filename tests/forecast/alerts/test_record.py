"""The record of alerts that were sent, from the checks of issued forecasts."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.alerts.record import record_of_alerts
from forecast.cut import DataCut, Known, with_counts
from forecast.records import alert_rules as rules_held
from forecast.records import alert_texts as texts_held
from forecast.records import alerts as held
from forecast.records.alerts import Alert
from forecast.records.verifications import Verification, keep_verifications
from forecast.records.vintages import add_vintage

ON = datetime(2023, 3, 1, tzinfo=UTC)  # the rule is switched on
WEEKS = [date(2023, 2, 20) + timedelta(weeks=i) for i in range(8)]
HIGH = {WEEKS[0], WEEKS[4], WEEKS[7]}  # 20 February, 20 March, 10 April


@pytest.fixture
def vintage(records):
    """Keep counts of all weeks of the north, known on 1 May."""
    rows = [
        {"region_id": "north", "week": week, "flare_visits": 5, "consultations": 100}
        | {"covered_share": 0.0}
        for week in WEEKS
    ]
    known = {"known_on": date(2023, 5, 1), "made_at": ON + timedelta(days=61)}
    return add_vintage(records, rows, **known, case_definition="1", kind="as known then")


@pytest.fixture
def judged(practice, records, rule, issued, vintage):
    """Keep a rule, checked weeks, and two alerts that were sent: of 20 and 27 March, of 3 April."""
    issued([0.5] * 6)
    numbers = {"observed": 5.0, "weighted_interval_score": 1.0, "climatology_score": 1.0}
    shares = {"inside_50": 0.5, "inside_90": 0.9, "odds_high": 0.5}
    rows = [
        Verification("i1", "north", week, "visits", vintage.id, 1, **numbers, **shares,
                     was_high=week in HIGH)
        for week in WEEKS
    ]  # fmt: skip
    keep_verifications(records, rows)
    with records.writing() as connection:
        rules_held.add_rule(connection, replace(rule, made_at=ON))
        for name, first, last in (("a", WEEKS[4], WEEKS[5]), ("b", WEEKS[6], WEEKS[6])):
            sent = datetime(2023, 3, 8, 1, tzinfo=UTC)
            made = Alert(
                name, "north", "sudden high week", "sent", "r", "i1", sent, "clock",
                first, last, 0.5, 0.1, "not known", {}, sent, sent,
            )  # fmt: skip
            held.add_alert(connection, made, _one_text(name, sent))


def _one_text(name, moment):
    return [texts_held.AlertText(name, "en", 1, "Itch", "Call.", "Note.", moment, "clock")]


def test_sent_alerts_are_a_hit_and_a_false_alarm_and_a_later_event_is_missed(
    practice, records, judged
):
    """The high week of February came before the rule; that of 10 April nobody was warned of."""
    found = record_of_alerts(practice, records)
    assert {o.given.alert_id: (o.words, o.lead_days) for o in found.outcomes} == {
        "a": ("hit", 12),  # from 8 to 20 March
        "b": ("false alarm", None),
    }
    assert (found.n_events, found.n_missed) == (2, 1)
    cells = found.by_week
    assert (cells.hits, cells.false_alarms, cells.misses, cells.correct_negatives) == (1, 2, 1, 2)
    assert found.detection is None
    held.withdraw(records, "b", by="ida", why="it cooled", now=practice.now)
    again = record_of_alerts(practice, records)
    assert {one.words for one in again.outcomes} == {"false alarm; withdrawn", "hit"}
    assert again.n_false_alarms == found.n_false_alarms  # it was said


def test_the_record_of_a_kind_and_of_other_regions_holds_no_other(practice, records, judged):
    assert record_of_alerts(practice, records, kind="peak near").outcomes == ()
    elsewhere = record_of_alerts(practice, records, region_ids=frozenset({"south"}))
    assert (elsewhere.outcomes, elsewhere.n_events) == ((), 0)


def test_weeks_after_an_alert_are_marked_in_what_a_forecast_learns_from(records, judged, vintage):
    """Sent on 8 March: the weeks of 6 to 27 March; a cut of before sees none of it."""
    places = xr.Dataset(coords={"region": ["north"]})
    for origin, marked in ((date(2023, 5, 1), WEEKS[2:6]), (date(2023, 3, 8), [])):
        cut = DataCut(origin, "s", vintage.id, "1", "issued")
        known = with_counts(Known(origin, places, pd.DataFrame(), None), records, cut=cut)
        assert known.counts is not None
        alerted = known.counts.get("alerted", xr.zeros_like(known.counts["flare_visits"]))
        weeks = alerted["week"].values[np.asarray(alerted.sel(region="north"), dtype=bool)]
        assert [pd.Timestamp(week).date() for week in weeks] == marked
