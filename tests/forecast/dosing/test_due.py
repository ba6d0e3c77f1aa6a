"""What is due for a dog: one thing, the most pressing, from its readiness for the injection."""

from __future__ import annotations

from datetime import timedelta

import pytest
from ready_dog import RECENT, TODAY, healthy_findings, ready_dog

from forecast.dosing.dog_record import Finding, ItchScore, TherapyEvent
from forecast.dosing.due import Due, due_dog
from forecast.dosing.rules import shipped_rules
from forecast.records.dogs import DogIdentity

REX = DogIdentity("dog-0001", "D1", "Rex")
NOT_EXAMINED = healthy_findings() | {"examination": Finding(None, None)}
INJECTION = shipped_rules().therapies["anti_il31_antibody"]


def row(dog, identity=REX, status="active"):
    given = {"rules": shipped_rules(), "today": TODAY, "status": status, "is_atopic": True}
    return due_dog(dog, identity, INJECTION, **given)


def injected(days, **changes):
    given = TherapyEvent(INJECTION.id, TODAY - timedelta(days=days), responded=True)
    return ready_dog(therapies=(given,), **changes)


@pytest.mark.parametrize(
    ("dog", "due"),
    [
        (ready_dog(), Due.NOTHING),
        (ready_dog(scores=(ItchScore(7, RECENT),)), Due.SEE_NOW),
        (ready_dog(scores=()), Due.SCORE),
        (ready_dog(scores=(), weight_kg=None), Due.WORK_UP),
        (
            ready_dog(findings=healthy_findings() | {"examination": Finding(None, None)}),
            Due.WORK_UP,
        ),
        (ready_dog(therapies=()), Due.VET),
        (ready_dog(species="cat"), Due.NOTHING),
        # an injection: nothing for 28 days, then another may be due until its effect is long over
        (injected(27), Due.NOTHING),
        (injected(28), Due.DOSE),
        (injected(77), Due.DOSE),
        (injected(78), Due.NOTHING),
        (injected(30, scores=(ItchScore(7, RECENT),)), Due.SEE_NOW),
        (injected(30, species="cat"), Due.NOTHING),
    ],
)
def test_the_most_pressing_is_due(dog, due):
    """With a reason in words."""
    shown = row(dog)
    assert shown.due is due
    assert len(shown.why) > 10


def test_the_row_says_what_was_last_known():
    """A spoken score is none on the line; the next dose keeps its distance."""
    shown = row(injected(10, scores=(ItchScore(2.5, RECENT), ItchScore(9, TODAY, "spoken"))))
    assert (shown.score, shown.scored, shown.verdict) == (2.5, RECENT, "see now")
    assert shown.last_dose == TODAY - timedelta(days=10)
    assert shown.not_before == TODAY + timedelta(days=18)
    assert (shown.reference, shown.name) == ("D1", "Rex")
    nobody = row(ready_dog(), None, "left")
    assert (nobody.reference, nobody.name, nobody.status) == ("", "", "left")
