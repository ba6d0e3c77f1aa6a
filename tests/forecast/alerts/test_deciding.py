"""When a region is spoken of, on odds laid out by hand: on at 1 in 4, off below 1 in 5."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from forecast.alerts.deciding import (
    Standing,
    WeekAhead,
    budget_since,
    decide,
    is_within_budget,
    span_of,
)

DAY = date(2023, 3, 8)  # a Wednesday; Mondays ahead are 5, 12, 19, 26, 33 days away
MONDAY = date(2023, 3, 6)


def weeks(*odds: float | None, usual: float | None = 0.1) -> list[WeekAhead]:
    return [WeekAhead(MONDAY + timedelta(weeks=i), value, usual) for i, value in enumerate(odds)]


def mondays(*numbers: int) -> tuple[date, ...]:
    return tuple(MONDAY + timedelta(weeks=i) for i in numbers)


def test_odds_at_the_cost_loss_ratio_speak_and_below_it_do_not(rule):
    """An alert of cost 1 against a loss of 4 is worth it from odds of 1 in 4 on."""
    assert decide(rule, weeks(0, 0.25, 0), Standing(), day=DAY).spoken is not None
    looked = decide(rule, weeks(0, 0.2499, 0), Standing(), day=DAY)
    assert looked.spoken is None
    assert "below the threshold, 25%" in looked.why


def test_only_weeks_within_the_lead_speak(rule):
    """The week of the day itself is too near, Monday in 33 days too far."""
    assert decide(rule, weeks(0.9, 0, 0, 0, 0, 0.9), Standing(), day=DAY).spoken is None
    assert decide(rule, weeks(0.9, 0, 0, 0, 0.9), Standing(), day=DAY).spoken is not None


def test_a_week_that_past_years_called_high_is_a_season_and_another_is_sudden(rule):
    assert decide(rule, weeks(0, 0.5), Standing(), day=DAY).spoken.kind == "sudden high week"
    usual = weeks(0, 0.5, usual=0.3)
    assert decide(rule, usual, Standing(), day=DAY).spoken.kind == "season near"


def test_it_speaks_of_the_weeks_that_stay_above_the_lower_threshold(rule):
    """From the first week at or above 1 in 4 on, while odds stay at 1 in 5 or above."""
    spoken = decide(rule, weeks(0, 0.1, 0.3, 0.22, 0.4, 0.19, 0.9), Standing(), day=DAY).spoken
    assert spoken.weeks == mondays(2, 3, 4)
    assert (spoken.best, spoken.odds) == (mondays(4)[0], 0.4)


def test_a_region_that_is_on_is_not_spoken_of_again_while_odds_waver(rule):
    """Between the two thresholds it stays on; only below the lower one it is quiet again."""
    first = decide(rule, weeks(0, 0.3), Standing(), day=DAY)
    assert first.standing.is_on
    later = DAY + timedelta(days=35)
    ahead = [WeekAhead(one.week + timedelta(days=35), 0.22, 0.1) for one in weeks(0, 0, 0, 0, 0)]
    wavering = decide(rule, ahead, first.standing, day=later)
    assert wavering.standing.is_on
    assert wavering.spoken is None
    quiet = [replace(one, odds=0.19) for one in ahead]
    assert not decide(rule, quiet, first.standing, day=later).standing.is_on


def test_the_gap_keeps_a_second_alert_back_and_lets_it_go_after(rule):
    """Spoken of on 8 February, the gap of 28 days is over on 8 March."""
    before = Standing(False, (("sudden high week", date(2023, 2, 9)),))
    looked = decide(rule, weeks(0, 0.5), before, day=DAY)
    assert looked.spoken is None
    assert "1 days left" in looked.why
    before = Standing(False, (("sudden high week", date(2023, 2, 8)),))
    assert decide(rule, weeks(0, 0.5), before, day=DAY).spoken is not None


def test_a_season_is_spoken_of_once(rule):
    """30 weeks after it was spoken of it may be again; before that the region is only on."""
    ahead = weeks(0, 0.5, usual=0.5)
    before = Standing(False, (("season near", DAY - timedelta(weeks=30) + timedelta(days=1)),))
    looked = decide(rule, ahead, before, day=DAY)
    assert looked.spoken is None
    assert looked.standing.is_on
    before = Standing(False, (("season near", DAY - timedelta(weeks=30)),))
    assert decide(rule, ahead, before, day=DAY).spoken.kind == "season near"


def test_the_peak_is_spoken_of_when_it_is_near_and_once(rule):
    on = Standing(True, (("season near", date(2023, 1, 30)),))
    far = weeks(0.3, 0.3, 0.3, 0.3, 0.3, 0.3, 0.9)
    assert decide(rule, far, on, day=DAY).spoken is None
    looked = decide(rule, weeks(0.3, 0.3, 0.9, 0.3), on, day=DAY)
    assert (looked.spoken.kind, looked.spoken.weeks) == ("peak near", mondays(2))
    again = decide(rule, weeks(0.3, 0.9), looked.standing, day=DAY + timedelta(days=29))
    assert again.spoken is None


def test_the_end_is_spoken_of_only_after_its_season_was(rule):
    """Four quiet weeks; after a single sudden week there is no season to be over."""
    quiet = weeks(0, 0.1, 0.1, 0.1, 0.1, 0.1)
    on = Standing(True, (("season near", date(2022, 12, 1)),))
    looked = decide(rule, quiet, on, day=DAY)
    assert (looked.spoken.kind, looked.spoken.weeks) == ("season over", mondays(1, 2, 3, 4))
    assert not looked.standing.is_on
    sudden = Standing(True, (("sudden high week", date(2022, 12, 1)),))
    looked = decide(rule, quiet, sudden, day=DAY)
    assert looked.spoken is None
    assert not looked.standing.is_on


@pytest.mark.parametrize("lacking", [None, "gone"])
def test_a_week_that_is_not_known_is_not_taken_for_quiet(rule, lacking):
    """Of the month ahead the third week has no odds, or the forecast does not hold it."""
    ahead = weeks(0, 0.1, 0.1, None, 0.1, 0.1)
    ahead = [one for one in ahead if lacking is None or one.odds is not None]
    on = Standing(True, (("season near", date(2022, 12, 1)),))
    looked = decide(rule, ahead, on, day=DAY)
    assert (looked.spoken, looked.standing.is_on) == (None, True)
    said = "of the week of 2023-03-27 no odds are known: the season may not be over"
    assert said in looked.why
    assert span_of(rule, "season over", ahead, day=DAY) == said


def test_a_kind_that_the_rule_leaves_out_is_not_spoken_of(rule):
    """A sudden week leaves the region off; a season puts it on, so that its peak can be told."""
    looked = decide(replace(rule, kinds=("season near",)), weeks(0, 0.5), Standing(), day=DAY)
    assert (looked.spoken, looked.standing.is_on) == (None, False)
    assert "does not speak of it" in looked.why
    looked = decide(
        replace(rule, kinds=("peak near",)), weeks(0, 0.5, usual=0.5), Standing(), day=DAY
    )
    assert (looked.spoken, looked.standing.is_on) == (None, True)


def test_a_season_that_begins_while_a_sudden_week_is_on_is_spoken_of(rule):
    """The gap after the sudden week is over, and the odds never sank between."""
    on = Standing(True, (("sudden high week", DAY - timedelta(days=28)),))
    assert decide(rule, weeks(0, 0.5, usual=0.3), on, day=DAY).spoken.kind == "season near"


def test_odds_that_are_not_known_are_never_taken_for_quiet(rule):
    on = Standing(True, (("season near", date(2022, 12, 1)),))
    looked = decide(rule, weeks(None, None, None), on, day=DAY)
    assert looked.spoken is None
    assert looked.standing == on
    asked = span_of(rule, "season near", weeks(None, None), day=DAY)
    assert "the newest forecast is too old, or there are no visits" in asked


def test_a_draft_by_hand_says_nothing_that_the_odds_do_not_bear_out(rule):
    """Below 1 in 4 no high weeks are near, at 1 in 5 or above no season is over."""
    low = weeks(0, 0.05, 0.15, 0.1)
    assert "15%, below the rule's 25%" in span_of(rule, "season near", low, day=DAY)
    assert "15%, below the rule's 25%" in span_of(rule, "peak near", low, day=DAY)
    month = weeks(0, 0.05, 0.1, 0.15, 0.1, 0.9)
    assert span_of(rule, "season over", month, day=DAY).weeks == mondays(1, 2, 3, 4)
    loud = weeks(0, 0.05, 0.2, 0.3)
    assert "the season is not over" in span_of(rule, "season over", loud, day=DAY)
    assert span_of(rule, "peak near", loud, day=DAY).weeks == mondays(3)


@pytest.mark.parametrize(("n_told", "may"), [(0, True), (2, True), (3, False), (4, False)])
def test_an_owner_gets_no_more_than_the_budget(rule, n_told, may):
    assert is_within_budget(rule, n_told) is may
    assert budget_since(date(2023, 3, 8)) == date(2022, 3, 8)
