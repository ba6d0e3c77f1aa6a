"""Whether what was entered of a dog can be taken back, or something rests on it by now."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from forecast.dosing.dog_record import DogRecord, ItchScore
from forecast.dosing.therapies import DosingError, therapies
from forecast.dosing.trial import Trial, judge_trial
from forecast.records.care import PVAS
from forecast.records.entries import Entered, EnteredRow

SCORE, DOSE, TRIAL = "pruritus_score", "therapy_event", "response_trial"
REACTION, RELEASE = "adverse_reaction", "therapy_release"


def check_take_back(
    entered: Entered, standing: Sequence[Entered], dog: DogRecord, *, today: date
) -> None:
    """Refuse to take an entry back on which another one rests, which is taken back first.

    Parameters
    ----------
    standing
        All that was entered of the dog and stands, the entry itself too.

    Raises
    ------
    DosingError
        The sentence says what rests on it.
    """
    others = [one for one in standing if one.id != entered.id]
    for why in _rests_on(entered, others, dog, today):
        raise DosingError(f"an entry was to be taken back; {why}: take that back first")


def _rests_on(
    entered: Entered, others: Sequence[Entered], dog: DogRecord, today: date
) -> Iterator[str]:
    told = [row for one in others for row in one.rows]
    trials = [row for row in told if row.table == TRIAL]
    ends = {key for one in others if (key := _judged_dose(one)) is not None}
    is_end = _judged_dose(entered) is not None
    for row in entered.rows:
        if row.table == REACTION:
            yield from _released(row, told, dog)
        elif row.table == TRIAL and _key(row) in ends:
            yield f"what came of the response trial begun on {row.day} is recorded"
        elif row.table == DOSE and not is_end:
            again = any(_key(row) == _key(one) for one in told if one.table == DOSE)
            if not again and _key(row) in map(_key, trials):
                yield f"a response trial that began with this dose on {row.day} is on record"
        elif row.table == SCORE and not is_end:
            yield from _decided(row, [one for one in trials if _key(one) in ends], dog, today)


def _key(row: EnteredRow) -> tuple[str, date]:
    return row.values["therapy"], row.day


def _judged_dose(one: Entered) -> tuple[str, date] | None:
    """Return class and day of the dose whose response was entered with the end of a trial."""
    doses = [row for row in one.rows if row.table == DOSE and row.values["responded"] is not None]
    return _key(doses[0]) if doses and any(row.table == SCORE for row in one.rows) else None


def _released(row: EnteredRow, told: Sequence[EnteredRow], dog: DogRecord) -> Iterator[str]:
    """Yield the signature that rests on a reaction alone: it would lift one entered later."""
    kind = row.values["therapy"]
    for one in told:
        if one.table != RELEASE or one.values["therapy"] != kind or one.day < row.day:
            continue
        seen = [of for of in dog.reactions if of.therapy == kind and of.seen <= one.day]
        if len(seen) == 1:
            words = therapies()[kind].words
            yield f"a vet signed on {one.day} that {words} may be given again after this reaction"


def _decided(
    row: EnteredRow, judged: Sequence[EnteredRow], dog: DogRecord, today: date
) -> Iterator[str]:
    """Yield the trial whose recorded outcome a score decided."""
    score = ItchScore(row.values["pvas"], row.day, row.values["scale"])
    for one in judged:
        trial = judge_trial(
            Trial(one.values["therapy"], one.day),
            dog.scores,
            therapies=dog.therapies,
            today=today,
        )
        if score.scale == PVAS and score in (trial.before, trial.after):
            yield f"by this score the response trial begun on {one.day} was judged"
