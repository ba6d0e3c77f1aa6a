"""What rests on an entry is taken back first; else it goes, with nothing left of it."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from ready_dog import TODAY, ready_dog

from forecast.dosing.dog_record import AdverseReaction, ItchScore
from forecast.dosing.entered_words import entered_words
from forecast.dosing.entering import entry_of
from forecast.dosing.taking_back import check_take_back
from forecast.dosing.therapies import DosingError, therapies
from forecast.records.entries import Entered, EnteredRow

KIND, BEGUN, JUDGED = "anti_il31_antibody", date(2024, 3, 10), date(2024, 3, 24)


def entry(name, *rows):
    return Entered(name, "dog-0001", tuple(EnteredRow(*row) for row in rows), None, None)


def dose(day=BEGUN, *, responded=None, therapy=KIND):
    values = {"therapy": therapy, "date": day, "until": None, "status": "given"}
    return "therapy_event", values | {"reason": "itch", "responded": responded}


def score(value, day):
    return "pruritus_score", {"date": day, "pvas": value, "scorer": "owner", "scale": "PVAS"}


TRIAL = ("response_trial", {"therapy": KIND, "begun": BEGUN})
BEGIN = entry("begin", TRIAL, dose(), score(8.0, BEGUN))
END = entry("end", score(3.0, JUDGED), dose(responded=True))
SCORED = (ItchScore(8.0, BEGUN), ItchScore(3.0, JUDGED))


def refused(one, standing, dog=None):
    with pytest.raises(DosingError, match="take that back first") as told:
        check_take_back(one, standing, dog or ready_dog(scores=SCORED), today=TODAY)
    return str(told.value)


def test_the_end_of_a_trial_goes_before_its_beginning():
    """Else a response would be left of a dose that nobody gave."""
    standing = [BEGIN, END]
    assert "what came of the response trial begun on 2024-03-10 is recorded" in refused(
        BEGIN, standing
    )
    check_take_back(END, standing, ready_dog(scores=SCORED), today=TODAY)
    check_take_back(BEGIN, [BEGIN], ready_dog(scores=SCORED), today=TODAY)


def test_a_dose_with_which_a_trial_began_goes_after_the_trial():
    """The dose was entered first, by itself; entered twice, one of the two may go."""
    first, trial = entry("dose", dose()), entry("trial", TRIAL)
    assert "a response trial that began with this dose on 2024-03-10" in refused(
        first, [first, trial]
    )
    again = entry("again", dose())
    check_take_back(first, [first, again, trial], ready_dog(), today=TODAY)
    later = entry("later", dose(JUDGED))
    check_take_back(later, [first, later, trial], ready_dog(), today=TODAY)


def test_a_score_by_which_a_trial_was_judged_goes_after_its_outcome():
    """Other scores of the dog go at once."""
    before, trial = entry("before", score(8.0, BEGUN)), entry("trial", TRIAL, dose())
    standing = [before, trial, END]
    assert "by this score the response trial begun on 2024-03-10 was judged" in refused(
        before, standing
    )
    check_take_back(before, [before, trial], ready_dog(scores=SCORED), today=TODAY)
    other = entry("other", score(5.0, TODAY))
    dog = ready_dog(scores=(*SCORED, ItchScore(5.0, TODAY)))
    check_take_back(other, [*standing, other], dog, today=TODAY)


def test_a_reaction_goes_after_the_signature_that_rests_on_it_alone():
    """The signature would let pass a reaction of an earlier day that is entered later."""
    told = {"therapy": KIND, "date": BEGUN, "sign": None, "reported": None}
    signed = {"therapy": KIND, "date": JUDGED, "signed_by": "v", "reason": "another cause"}
    reaction, release = (
        entry("r", ("adverse_reaction", told)),
        entry("s", ("therapy_release", signed)),
    )
    dog = ready_dog(reactions=(AdverseReaction(KIND, BEGUN, None, JUDGED),))
    assert "a vet signed on 2024-03-24 that long-acting" in refused(
        reaction, [reaction, release], dog
    )
    check_take_back(release, [reaction, release], dog, today=TODAY)
    earlier = AdverseReaction(KIND, BEGUN - timedelta(days=9), None, JUDGED)
    both = ready_dog(reactions=(earlier, AdverseReaction(KIND, BEGUN, None, JUDGED)))
    check_take_back(reaction, [reaction, release], both, today=TODAY)
    of_another = entry("a", ("adverse_reaction", told | {"therapy": "ciclosporin"}))
    check_take_back(of_another, [of_another, release], dog, today=TODAY)


@pytest.mark.parametrize(
    ("kind", "fields", "words"),
    [
        ("score", {"score": "7", "scorer": "owner"}, "itch score 7 on the line (PVAS), by owner"),
        ("score", {"score": "7", "scale": "spoken"}, "itch score 7 spoken, no PVAS"),
        ("weight", {"kilograms": "9.5"}, "weight 9.5 kg"),
        ("price", {"flare_weeks": "0.5"}, "a dose must spare 0.5 flare-weeks"),
        (
            "finding",
            {"finding": "itching_now", "answer": "yes"},
            "itches now, by its owner's word: yes",
        ),
        (
            "dose",
            {"therapy": "ciclosporin", "status": "dispensed", "until": "2024-05-01"},
            "ciclosporin handed out until 2024-05-01",
        ),
        ("reaction", {"therapy": "ciclosporin"}, "adverse reaction to ciclosporin"),
        ("status", {"status": "dead"}, "recorded as dead"),
    ],
)
def test_what_is_entered_is_said_in_words(kind, fields, words):
    """As whoever looks for a slip of theirs knows it again."""
    made = entry_of(kind, fields, today=TODAY)
    columns = {"kind": None, "number": None, "word": None}
    values = (columns if made.table == "dog_fact" else {}) | dict(made.values)
    known = {one.id: one.words for one in therapies().values()}
    assert entered_words(entry("e", (made.table, values)), known) == words
