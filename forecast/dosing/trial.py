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
from forecast.records.care import PVAS
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
    """

    trial: Trial
    responded: bool | None
    before: ItchScore | None
    after: ItchScore | None
    sentence: str
    remarks: tuple[str, ...]
    due: date | None


def judge_trial(
    trial: Trial,
    scores: Iterable[ItchScore],
    *,
    therapies: Iterable[TherapyEvent] = (),
    today: date,
) -> TrialJudged:
    """Judge a trial by what is on record on a day.

    `scores` and `therapies` are those of the dog; of several scores of a day the worst counts.
    """
    table = _table()
    told = sorted(
        (one for one in scores if one.scale == PVAS and one.recorded <= today),
        key=lambda one: (one.recorded, one.value),
    )
    before, after = _before(trial, told), _after(trial, told)
    remarks = _remarks(trial, therapies, until=after.recorded if after else today)
    last = trial.begun + _days("trial.judged_until")
    due = trial.begun + _days("trial.length")
    if after is None and today <= last:
        sentence = f"to be judged on {due} by an itch score on the line"
        if before is None:
            sentence += "; no such score tells how much it itched before"
        return TrialJudged(trial, None, before, None, sentence, remarks, due)
    responded, sentence = _verdict(before, after, table)
    return TrialJudged(trial, responded, before, after, sentence, remarks, None)


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


def _remarks(trial: Trial, therapies: Iterable[TherapyEvent], *, until: date) -> tuple[str, ...]:
    """Name other classes that were given meanwhile, or may still have run."""
    others = {
        one.therapy
        for one in therapies
        if one.therapy != trial.therapy
        and one.given <= until
        and (one.given >= trial.begun or (one.until is not None and one.until >= trial.begun))
    }
    return tuple(
        f"{other.replace('_', ' ')} was given too, so which of them worked cannot be told"
        for other in sorted(others)
    )


def _days(key: str) -> timedelta:
    return timedelta(days=_table().number(key))


def _table() -> ParameterTable:
    return load_table("forecast.dosing", "trial.toml")
