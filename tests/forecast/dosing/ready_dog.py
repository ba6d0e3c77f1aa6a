"""An invented dog that passes every check of a therapy, so that a failure is due to one change."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from forecast.dosing.dog_record import DogRecord, Finding, ItchScore, TherapyEvent
from forecast.dosing.work_up import CALLS_FOR_DIET, FINDINGS, WORK_UP

TODAY = date(2024, 4, 2)
RECENT = TODAY - timedelta(days=5)


def healthy_findings() -> dict[str, Finding]:
    """Return every finding on record, current, and as wanted."""
    found = {code: Finding(kind.wanted, RECENT) for code, kind in (WORK_UP | FINDINGS).items()}
    return found | dict.fromkeys(CALLS_FOR_DIET, Finding(False, RECENT))


def ready_dog(therapy_id: str = "anti_il31_antibody", **changes: object) -> DogRecord:
    """Return a dog that is ready for a therapy, but for the changes."""
    past = TherapyEvent(therapy_id, date(2023, 5, 2), date(2023, 6, 2), responded=True)
    dog = DogRecord(
        id="dog-0001",
        species="dog",
        birth_date=date(2019, 3, 1),
        weight_kg=14.2,
        weighed=RECENT,
        sex="female",
        neutered=False,
        region="north",
        branch="branch-1",
        findings=healthy_findings(),
        therapies=(past,),
        flare_visits=(date(2022, 5, 9), date(2023, 5, 15)),
        scores=(ItchScore(1.4, RECENT),),
        history_asked=RECENT,
        allergy_tested=date(2021, 11, 3),
    )
    return replace(dog, **changes)
