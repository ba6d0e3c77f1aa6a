"""The record of alerts that were sent: hits, false alarms, misses, and who wants no more of them.

Weeks count from the day on which a region's rule was first switched on: before it nobody could have
been warned. Only weeks whose counts have come in are known, from the checks of issued forecasts
(`forecast.verification`); visits that an alert itself brought are in those counts, as nothing tells
them apart.
"""

from __future__ import annotations

from datetime import date

from forecast.alerts.judging import Given, Tally, Weeks, tally
from forecast.practice import Practice
from forecast.records import alert_rules as rules_held
from forecast.records import alerts as held
from forecast.records.alerts import Alert
from forecast.records.engine import Records
from forecast.records.verifications import verifications


def record_of_alerts(
    practice: Practice,
    records: Records,
    *,
    region_ids: frozenset[str] | None = None,
    kind: str | None = None,
) -> Tally:
    """Return what the alerts that were sent came to, of some regions or one kind if asked so."""
    places = {region.id for region in practice.settings.region}
    places &= places if region_ids is None else region_ids
    sent = [
        given_from(one, practice)
        for one in held.alerts(records)
        if one.sent_at is not None
        and one.region_id in places
        and (kind is None or one.kind == kind)
    ]
    high = _since_switched_on(practice, records, high_weeks(records), places)
    return tally(sent, high, seed=practice.settings.forecast.seed)


def given_from(one: Alert, practice: Practice) -> Given:
    """Return an alert as it is judged: from the day it was sent, or drafted before that."""
    day = (one.sent_at or one.made_at).astimezone(practice.time_zone).date()
    withdrawn = one.state == held.WITHDRAWN
    return Given(one.region_id, one.kind, day, one.weeks, one.odds, one.id, withdrawn)


def high_weeks(records: Records) -> Weeks:
    """Return which weeks were high, as the newest issued forecast of each was checked."""
    rows = verifications(records, kind="issued")
    known = rows[rows["was_high"].notna()]
    newest = known.drop_duplicates(["region_id", "week"], keep="last")
    places = zip(newest["region_id"].astype(str), newest["week"].dt.date, strict=True)
    return dict(zip(places, newest["was_high"].astype(bool), strict=True))


def _since_switched_on(
    practice: Practice, records: Records, high: Weeks, places: set[str]
) -> Weeks:
    began: dict[str, date] = {}
    for region_id in places:
        on = [rule.made_at for rule in rules_held.rule_history(records, region_id) if rule.is_on]
        if on:
            began[region_id] = min(on).astimezone(practice.time_zone).date()
    return {
        (region, week): was_high
        for (region, week), was_high in high.items()
        if region in began and week >= began[region]
    }
