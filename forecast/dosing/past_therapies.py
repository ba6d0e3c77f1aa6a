"""What was given before, and what runs now, as far as it bears on another dose or course."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from forecast.dosing.dog_record import DISPENSED, DogRecord, Reason, TherapyEvent
from forecast.dosing.rules import Rules
from forecast.dosing.therapies import Therapy, Verdict
from forecast.dosing.work_up import HOUSE
from forecast.dosing.work_up_reasons import Judged, is_older, missing, stale
from forecast.records.care import UNMAPPED_THERAPY


def history(dog: DogRecord, therapy: Therapy, today: date, rules: Rules) -> Iterator[Judged]:
    """Judge the history of therapies: whether it is known, what runs, how the dog responded."""
    ask = "ask what it was given, here and elsewhere"
    if dog.therapies is None:
        yield missing("therapy_history", ask)
        return
    if is_older(dog.history_asked, today, rules.current_for["therapy_history"]):
        yield stale("therapy_history", dog.history_asked, ask)
    for event in _without_older_open_ones(dog.therapies, today, rules):
        judged = _event(event, therapy, today, rules)
        if judged is not None:
            yield judged
    responded = dog.responded(therapy.id, today)
    if responded is None:
        sentence = f"whether it responded to {therapy.words} is not recorded"
        reason = Reason("response", sentence, HOUSE, known=False, change="whether it did, recorded")
        yield Verdict.VET_MUST_DECIDE, reason
    elif not responded:
        sentence = f"it did not respond to {therapy.words} when last judged"
        reason = Reason("no_response", sentence, HOUSE, change="a later dose that it responds to")
        yield Verdict.VET_MUST_DECIDE, reason


def _without_older_open_ones(
    events: Sequence[TherapyEvent], today: date, rules: Rules
) -> Iterator[TherapyEvent]:
    """Leave out courses without an end where the same was handed out again: the newest tells."""
    newest: dict[str, date] = {}
    for event in events:
        if event.until is None and event.given <= today:
            newest[event.therapy] = max(event.given, newest.get(event.therapy, event.given))
    for event in events:
        kind = rules.therapies.get(event.therapy)  # none of an item mapped to no class
        is_course = kind is not None and not kind.planned_ahead
        again = event.given < newest.get(event.therapy, event.given)
        if not (is_course and event.until is None and again):
            yield event


def _event(event: TherapyEvent, therapy: Therapy, today: date, rules: Rules) -> Judged | None:
    if event.given > today:
        return None
    if event.therapy == UNMAPPED_THERAPY:
        return _unmapped(event, today, rules)
    kind = rules.therapies[event.therapy]
    if kind.planned_ahead:
        return _dispensed(event, kind, today) if event.status == DISPENSED else None
    last = kind.last_day(event.given, event.until)
    over = last is not None and last < today
    if event.therapy == therapy.id or over or kind.beside_others or therapy.beside_others:
        return None
    sentence = f"{kind.words} since {event.given} has no end on record"
    if event.until is not None:
        sentence = f"{kind.words} runs until {event.until}"
    return Verdict.VET_MUST_DECIDE, Reason("other_therapy", sentence, HOUSE, change="its end")


def _dispensed(event: TherapyEvent, kind: Therapy, today: date) -> Judged | None:
    """Ask for an injection that was handed out: given on some later day, or not at all."""
    if is_older(event.given, today, kind.days("ends_at")):
        return None
    ask = "ask whether and when it was given"
    sentence = f"{kind.words} was handed out on {event.given} and not seen given; {ask}"
    reason = Reason("dispensed_only", sentence, HOUSE, known=False, change=ask)
    return Verdict.WORK_UP_FIRST, reason


def _unmapped(event: TherapyEvent, today: date, rules: Rules) -> Judged | None:
    """Hold a dog up whose last weeks hold an item that may have been any therapy."""
    if is_older(event.given, today, rules.days("plan.longest_cover")):
        return None
    sentence = f"an item of {event.given} is mapped to no class of therapy: it may have been any"
    change = "say in the mapping of its file which class it is, or none"
    reason = Reason("unmapped_item", sentence, HOUSE, known=False, change=change)
    return Verdict.WORK_UP_FIRST, reason
