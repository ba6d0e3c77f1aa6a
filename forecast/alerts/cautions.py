"""What whoever decides on an alert has to know of it, said wherever it is decided on.

A draft of the clock has passed its rule. One made by hand has passed the odds alone: what its rule
would have said against it is said here. What hinders an approval is elsewhere (`approving`); a
caution hinders nobody.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from forecast.alerts.deciding import NEAR, OVER, SUDDEN, Standing, WeekAhead, table
from forecast.alerts.outlook import standing_of, weeks_ahead
from forecast.alerts.places import region_name
from forecast.issuing import Issue
from forecast.practice import Practice
from forecast.records.alert_rules import AlertRule, rule
from forecast.records.alerts import (
    APPROVED,
    BY_CLOCK,
    DRAFT,
    SENDING,
    SENT,
    WITHDRAWN,
    Alert,
    alerts,
)
from forecast.records.engine import Records
from forecast.wording import full_day, odds, source_sentences

_ALL_CLEAR = (
    "That a season seems over is easily read as the all-clear for one's own dog; its text says "
    "that it tells nothing of any one dog, and that sentence stays in it"
)


def cautions(
    practice: Practice,
    records: Records,
    made: Alert,
    *,
    drafted_from: Issue | None,
    newest: Issue | None,
) -> list[str]:
    """Return what speaks for caution with an alert, in sentences; of one that is over, nothing.

    Parameters
    ----------
    drafted_from
        The forecast it was drafted from; None where it is not held any more.
    newest
        The newest forecast, which may not bear it out any more; also of an alert that was sent,
        while its weeks last. None where it cannot be read.
    """
    held, found = rule(records, made.rule_id), list[str]()
    if made.state in (DRAFT, APPROVED):
        found += [_ALL_CLEAR] if made.kind == OVER else []
        if made.made_by != BY_CLOCK:
            found += _by_hand(practice, records, made, held)
        if made.skill != "better":
            found.append(
                "Forecasts here are not known to be better than past years alone, so it tells "
                "nobody any odds"
            )
        found += _lacking(practice, made, drafted_from)
    if made.state in (DRAFT, APPROVED, SENDING, SENT):
        found += _not_borne_out(practice, made, held, newest)
    return [f"{one.rstrip('.')}." for one in found]


def _lacking(practice: Practice, made: Alert, drafted_from: Issue | None) -> list[str]:
    """Return what the forecast lacked that an alert was drafted from."""
    if drafted_from is None:
        return ["The forecast that it was drafted from is not held any more, or cannot be read"]
    return source_sentences(drafted_from.forecast, {made.region_id: region_name(practice, made)})


def _by_hand(practice: Practice, records: Records, made: Alert, held: AlertRule) -> Iterator[str]:
    """Yield what its rule would have said against an alert that a person asked for."""
    before = [
        one
        for one in alerts(records, region_id=made.region_id)
        if one.sent_at is not None and one.sent_at < made.made_at and one.state != WITHDRAWN
    ]
    told = standing_of(before, None, practice)
    day = date.fromisoformat(made.facts["day"])
    if not held.is_on:
        yield "It was drafted by hand; the rule of its region is switched off"
    if made.kind not in held.kinds:
        yield f"It was drafted by hand; the rule of its region does not speak of {made.kind!r}"
    if told.last is not None and (day - told.last).days < held.gap:
        kind = max(told.spoken, key=lambda one: one[1])[0]
        yield (
            f"Owners of the region were written to on {full_day(told.last)} ({kind}); its rule "
            f"leaves {held.gap} days between two alerts"
        )
    yield from _out_of_season(made, told, day)


def _out_of_season(made: Alert, told: Standing, day: date) -> Iterator[str]:
    weeks = table().number("kinds.once_a_season")
    spoken = dict(told.spoken)
    if made.kind != SUDDEN and told.said_within(made.kind, weeks, day):
        yield f"The same was said on {full_day(spoken[made.kind])}; a season has each kind once"
    if made.kind == OVER and not told.said_within(NEAR, weeks, day):
        yield (
            "Owners were not told that this season is near: they would hear the end of what nobody "
            "spoke of"
        )


def _not_borne_out(
    practice: Practice, made: Alert, held: AlertRule, newest: Issue | None
) -> Iterator[str]:
    """Yield that a newer forecast says otherwise of the weeks that an alert speaks of."""
    if practice.today > made.last_day or (newest is not None and newest.id == made.issue_id):
        return
    if newest is None:
        yield "The newest forecast cannot be read, so nobody knows whether it still bears it out"
        return
    known = {one.week: one for one in weeks_ahead(newest.forecast, made.region_id)}
    ahead = [one for week in made.weeks if (one := known.get(week)) is not None]
    if not ahead or any(one.odds is None for one in ahead):
        yield "Of its weeks the newest forecast knows no odds, or not of all"
        return
    high = max(ahead, key=_odds)
    if made.kind == OVER and _odds(high) >= held.off_odds:
        yield (
            f"By the newest forecast the odds of the week of {full_day(high.week)} are "
            f"{odds(_odds(high))}: the season is not over"
        )
    if made.kind != OVER and _odds(high) < held.off_odds:
        yield (
            "The newest forecast does not bear it out any more: of its weeks the highest odds are "
            f"{odds(_odds(high))} now, and below {odds(held.off_odds)} the region counts as quiet"
        )


def _odds(one: WeekAhead) -> float:
    assert one.odds is not None
    return one.odds
