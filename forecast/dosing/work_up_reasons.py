"""The reasons for what is not on record, or was recorded too long ago to count."""

from __future__ import annotations

from datetime import date
from functools import lru_cache

from forecast.dosing.dog_record import Finding, Reason
from forecast.dosing.rules import Rules
from forecast.dosing.therapies import Verdict
from forecast.dosing.work_up import HOUSE, NOT_KNOWN_END, STALE_END, check_words

Judged = tuple[Verdict, Reason]


@lru_cache(maxsize=512)  # the same for very many dogs
def missing(code: str, how: str) -> Judged:
    """Return the verdict on a check of which nothing is on record, and how to come to know it."""
    sentence = f"{check_words(code)}: not known; {how}"
    reason = Reason(code + NOT_KNOWN_END, sentence, HOUSE, known=False, change=how)
    return Verdict.WORK_UP_FIRST, reason


@lru_cache(maxsize=65_536)
def stale(code: str, recorded: date | None, how: str) -> Judged:
    """Return the verdict on a check whose good news is too old."""
    sentence = f"{check_words(code)}: last recorded on {recorded}, too long ago to count; {how}"
    reason = Reason(code + STALE_END, sentence, HOUSE, known=False, change=how)
    return Verdict.WORK_UP_FIRST, reason


def is_older(day: date | None, today: date, days: int) -> bool:
    """Say whether a day lies more than so many days back; one that is not known does."""
    return day is None or (today - day).days > days


def is_known(finding: Finding, today: date) -> bool:
    """Say whether a finding has an answer and a day by today."""
    return (
        finding.present is not None and finding.recorded is not None and finding.recorded <= today
    )


def is_current(code: str, finding: Finding, today: date, rules: Rules) -> bool:
    """Say whether a finding is known and its news young enough to count."""
    return is_known(finding, today) and not is_stale(code, finding, today, rules)


def is_stale(code: str, finding: Finding, today: date, rules: Rules) -> bool:
    """Say whether the news of a finding is too old to count."""
    return finding.recorded is None or is_older(finding.recorded, today, rules.current_for[code])
