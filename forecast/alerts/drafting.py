"""The text of an alert, written from plain facts: a sentence after the other, no model behind it.

What an owner reads is the body and, below it, the fixed blocks, which are in every alert and which
nobody edits. Without a forecast that is known to be better than climatology no odds stand in it.
"""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass
from datetime import date, timedelta
from typing import Any

from forecast.alerts import messages
from forecast.alerts.deciding import OVER, Spoken
from forecast.languages import Language
from forecast.records.alerts import Kind, Skill
from forecast.wording import SELDOM, one_line, plain_fraction
from models.weeks import DAYS_IN_WEEK


@dataclass(frozen=True)
class Facts:
    """What a text is written from: odds and dates, never a count.

    `first` is a Monday, `last` a Sunday, `best` the Monday of the week with the highest odds.
    `odds` and `usual` are None where none may be told.
    """

    kind: Kind
    region: str
    practice: str
    day: date
    first: date
    last: date
    best: date
    odds: float | None
    usual: float | None
    skill: Skill
    is_invented: bool

    def plain(self) -> dict[str, Any]:
        """Return the facts as the records keep them."""
        return {
            name: value.isoformat() if isinstance(value, date) else value
            for name, value in asdict(self).items()
        }


@dataclass(frozen=True)
class Written:
    """A subject, a body and the fixed blocks in one language."""

    language: str
    subject: str
    body: str
    blocks: str


def facts_of(
    spoken: Spoken, *, region: str, practice: str, skill: Skill, is_invented: bool
) -> Facts:
    """Return the facts of what is to be said; odds only where the forecast has skill."""
    may_tell = skill == "better"
    return Facts(
        spoken.kind,
        one_line(region),
        one_line(practice),
        spoken.day,
        spoken.weeks[0],
        spoken.weeks[-1] + timedelta(days=DAYS_IN_WEEK - 1),
        spoken.best,
        spoken.odds if may_tell else None,
        spoken.usual if may_tell else None,
        skill,
        is_invented,
    )


def write(facts: Facts, speaks: Language) -> Written:
    """Write an alert in a language."""
    span = _span(facts, speaks)
    places = {"region": facts.region, "span": span}
    subject = speaks.say(messages.SUBJECTS[facts.kind], **places)
    lead = [speaks.say(messages.LEADS[facts.kind], **places), _odds(facts, speaks)]
    lead.append(speaks.say(messages.POPULATION))
    if facts.kind == OVER:
        lead.append(speaks.say(messages.STILL_ITCHING))
    do = [speaks.say(one) for one in (*messages.DO, messages.CALL[facts.kind])]
    parts = [
        *([speaks.say(messages.INVENTED)] if facts.is_invented else []),
        speaks.say(messages.GREETING),
        " ".join(lead),
        _list(speaks.say(messages.DO_HEADING), do),
        speaks.say(messages.SIGNED, practice=facts.practice),
    ]
    return Written(speaks.code, subject, "\n\n".join(parts), fixed_blocks(speaks))


def sentences_that_stay(facts: Facts, speaks: Language) -> list[str]:
    """Return the cautions of a text, which whoever edits it must leave in.

    That it is of no one dog, why it has no odds, and that the practice is invented; a text that
    says that a season seems over would else reassure about one dog.
    """
    found = [messages.INVENTED] if facts.is_invented else []
    found += [] if facts.odds is not None else [messages.WITHOUT_SKILL[facts.skill]]
    found.append(messages.POPULATION)
    found += [messages.STILL_ITCHING] if facts.kind == OVER else []
    return [speaks.say(one) for one in found]


def fixed_blocks(speaks: Language) -> str:
    """Return what every alert of a language says below its body."""
    return _list(speaks.say(messages.BLOCKS_HEADING), [speaks.say(one) for one in messages.BLOCKS])


def blocks_sha256(blocks: str) -> str:
    """Return the hash of fixed blocks, which a vet's approval holds."""
    return hashlib.sha256(blocks.encode()).hexdigest()


def _odds(facts: Facts, speaks: Language) -> str:
    if facts.odds is None:
        return speaks.say(messages.WITHOUT_SKILL[facts.skill])
    odds, best = _fraction(facts.odds, speaks), speaks.day(facts.best, beside=facts.day)
    if facts.kind == OVER:
        return speaks.say(messages.ODDS_OVER, odds=odds)
    if facts.usual is None:
        return speaks.say(messages.ODDS_ALONE, best=best, odds=odds)
    return speaks.say(messages.ODDS, best=best, odds=odds, usual=_fraction(facts.usual, speaks))


def _span(facts: Facts, speaks: Language) -> str:
    """Say the days of which an alert speaks."""
    first, last = (speaks.day(one, beside=facts.day) for one in (facts.first, facts.last))
    return speaks.say(messages.TO, first=first, last=last)


def _fraction(probability: float, speaks: Language) -> str:
    """Say odds as a plain fraction."""
    if probability < SELDOM:
        return speaks.say(messages.SELDOM)
    if probability > 1.0 - SELDOM:
        return speaks.say(messages.NEARLY_ALWAYS)
    nearest = plain_fraction(probability)
    return speaks.say(messages.IN, n=f"{nearest.numerator}", of=f"{nearest.denominator}")


def _list(heading: str, lines: list[str]) -> str:
    return "\n".join([heading, *(f"- {line}" for line in lines)])
