"""A two-week response trial: begun with a dose and a score, judged by a score two weeks later.

Judged on the line (PVAS) alone, by the rules that studies have used: a fall of two points or more,
of half or more, or a score of two or less. A dog that hardly itched before cannot show a response.
What is judged is the itch, never its cause: fleas, infection and food allergy can quieten under
such a therapy too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from forecast.dosing.dog_record import ItchScore, TherapyEvent
from forecast.dosing.therapies import days_rule, therapy
from forecast.records.care import PVAS, UNMAPPED_THERAPY
from models.parameters import ParameterTable, load_table

NOT_EXCLUDED = (
    "A good response does not exclude food allergy, fleas or an infection: each of them can itch "
    "less under such a therapy. Nor does a poor one exclude atopic dermatitis"
)


@dataclass(frozen=True)
class Trial:
    """A trial as it was begun: the class, and the day of its first dose."""

    therapy: str
    begun: date


@dataclass(frozen=True)
class TrialJudged:
    """A trial and what became of it.

    Attributes
    ----------
    responded
        True or False; None where it cannot be told, or not yet.
    before, after
        The scores that it is judged by; None where there is none.
    sentence
        The verdict in words, with the rules that were met, or why it cannot be told.
    remarks
        What else may have worked, or makes it doubtful.
    due
        The day on which it is to be judged; None once that is over.
    beside
        Other classes that ran meanwhile, but for those that go beside any: a fall of the itch may
        be theirs.
    """

    trial: Trial
    responded: bool | None
    before: ItchScore | None
    after: ItchScore | None
    sentence: str
    remarks: tuple[str, ...]
    due: date | None
    beside: tuple[str, ...] = ()


def judge_trial(
    trial: Trial,
    scores: Iterable[ItchScore],
    *,
    therapies: Iterable[TherapyEvent] | None = (),
    today: date,
) -> TrialJudged:
    """Judge a trial by what is on record on a day.

    `scores` and `therapies` are those of the dog, None where what it was given is not known; of
    several scores of a day the worst counts.
    """
    table = _table()
    told = sorted(
        (one for one in scores if one.scale == PVAS and one.recorded <= today),
        key=lambda one: (one.recorded, one.value),
    )
    before, after = _before(trial, told), _after(trial, told)
    therapies = None if therapies is None else list(therapies)
    until = after.recorded if after else today
    remarks, beside = _remarks(trial, therapies, until=until), _beside(trial, therapies, until)
    last = trial.begun + _days("trial.judged_until")
    due = trial.begun + _days("trial.length")
    if after is None and today <= last:
        sentence = f"to be judged on {due} by an itch score on the line"
        if before is None:
            sentence += "; no such score tells how much it itched before"
        return TrialJudged(trial, None, before, None, sentence, remarks, due, beside)
    responded, sentence = _verdict(before, after, table)
    return TrialJudged(trial, responded, before, after, sentence, remarks, None, beside)


def _verdict(
    before: ItchScore | None, after: ItchScore | None, table: ParameterTable
) -> tuple[bool | None, str]:
    first, last = table.number("trial.judged_from"), table.number("trial.judged_until")
    if before is None or after is None:
        when = "of the week before" if before is None else f"from day {first:g} to day {last:g}"
        return None, f"cannot be told: no itch score on the line {when} is on record"
    quiet = table.number("success.quiet")
    if before.value <= quiet:
        return None, (
            f"cannot be told: it scored {before.value:g} before, and {quiet:g} or less is quiet"
        )
    met = _rules_met(before.value, after.value, table)
    course = f"from {before.value:g} on {before.recorded} to {after.value:g} on {after.recorded}"
    if met:
        return True, f"responded: {course} ({', '.join(met)})"
    return False, f"no response: {course}; none of the rules is met"


def _rules_met(before: float, after: float, table: ParameterTable) -> list[str]:
    fall, share = table.number("success.fall"), table.number("success.share")
    quiet = table.number("success.quiet")
    fell = round(before - after, 6)  # of scores with a decimal or two, not of their binary forms
    met = [f"a fall of {fall:g} points or more"] if fell >= fall else []
    met += [f"a fall of {share:.0%} or more"] if fell >= share * before else []
    return met + ([f"a score of {quiet:g} or less"] if after <= quiet else [])


def _before(trial: Trial, told: Sequence[ItchScore]) -> ItchScore | None:
    since = trial.begun - _days("trial.scored_before")
    return next((one for one in reversed(told) if since <= one.recorded <= trial.begun), None)


def _after(trial: Trial, told: Sequence[ItchScore]) -> ItchScore | None:
    """Return the score nearest to the end of the trial, the worst and earlier one where two are."""
    end = trial.begun + _days("trial.length")
    first = trial.begun + _days("trial.judged_from")
    last = trial.begun + _days("trial.judged_until")
    inside = [one for one in told if first <= one.recorded <= last]
    return min(
        inside,
        key=lambda one: (abs((one.recorded - end).days), one.recorded, -one.value),
        default=None,
    )


def _remarks(
    trial: Trial, therapies: Iterable[TherapyEvent] | None, *, until: date
) -> tuple[str, ...]:
    """Name other therapies that ran meanwhile, or may have for all that is on record."""
    if therapies is None:
        return ("what else it was given is not on record, so what worked cannot be told",)
    others = [one for one in therapies if one.therapy != trial.therapy and one.given <= until]
    surely = {one.therapy for one in others if _ran(one, trial.begun)}
    maybe = {one.therapy for one in others if _may_have_acted(one, trial.begun)} - surely
    worked = "so which of them worked cannot be told"
    return (
        *(f"{_words(other)} was given too, {worked}" for other in sorted(surely)),
        *(f"{_words(other)} may still have acted, {worked}" for other in sorted(maybe)),
    )


def _beside(trial: Trial, therapies: Iterable[TherapyEvent] | None, until: date) -> tuple[str, ...]:
    ran = {
        one.therapy
        for one in therapies or ()
        if one.therapy != trial.therapy and one.given <= until and _ran(one, trial.begun)
    }
    return tuple(
        sorted(one for one in ran if one == UNMAPPED_THERAPY or not therapy(one).beside_others)
    )


def _ran(event: TherapyEvent, begun: date) -> bool:
    return max(event.given, event.until or event.given) >= begun


def _may_have_acted(event: TherapyEvent, begun: date) -> bool:
    """Say whether what was given before a day may have acted on it, for all that is on record."""
    if event.therapy == UNMAPPED_THERAPY:
        return event.given + timedelta(days=days_rule("plan.longest_cover")) > begun
    kind = therapy(event.therapy)
    if kind.planned_ahead:
        return event.given + timedelta(days=kind.days("ends_at")) > begun
    if event.until is not None or kind.covers == "no":
        return False
    last = kind.last_day(event.given, None)
    return last is None or last >= begun


def _words(therapy_id: str) -> str:
    if therapy_id == UNMAPPED_THERAPY:
        return "an item whose class is not known"
    return therapy(therapy_id).words


def _days(key: str) -> timedelta:
    return timedelta(days=_table().number(key))


def _table() -> ParameterTable:
    return load_table("forecast.dosing", "trial.toml")
