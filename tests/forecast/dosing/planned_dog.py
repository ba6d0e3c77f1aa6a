"""A dog with an owner who agreed to be written to, and a plan of two doses, for several folders."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from sqlalchemy import insert, update

from forecast.dosing.decisions import Signature, accept_plan
from forecast.dosing.plan import Proposal
from forecast.dosing.therapies import therapy
from forecast.records import tables
from forecast.records.engine import Records
from forecast.records.issues import IssueRow, add_issue
from forecast.records.plans import PlanRow, add_plans, plan_of

ANTIBODY = therapy("anti_il31_antibody")
NOW = datetime(2023, 3, 1, 1, tzinfo=UTC)  # ten in the morning in Seoul
DOSES = (date(2023, 3, 27), date(2023, 5, 8))
UNCOVERED = (date(2023, 6, 19), date(2023, 6, 26))


def add_dog(
    records: Records,
    dog_id: str,
    *,
    number: str,
    name: str = "Rex",
    owner: str = "Ada Quillfeather",
    contact: str = "ada@forepaw.invalid",
    consent: str = "yes",
    branch: str | None = None,
) -> None:
    """Add an active dog and its owner `<dog_id>-owner`."""
    owner_id, since = f"{dog_id}-owner", date(2020, 1, 1)
    rows = {
        tables.owner: {"id": owner_id, "reference": f"K-{number}", "name": owner}
        | {"contact": contact},
        tables.dog: {"id": dog_id, "owner_id": owner_id, "species": "dog", "branch_id": branch},
        tables.dog_identity: {"dog_id": dog_id, "reference": number, "name": name},
        tables.dog_status: {"dog_id": dog_id, "status": "active", "day_given": False},
        tables.consent: {"owner_id": owner_id, "what": "messages", "answer": consent}
        | {"date": since},
        tables.dog_fact: {"dog_id": dog_id, "kind": "atopic_dermatitis", "word": "yes"}
        | {"date": since},
    }
    with records.writing() as connection:
        for table, values in rows.items():
            connection.execute(insert(table).values(**values))


def propose(
    records: Records,
    dog_id: str,
    *,
    plan_id: str = "p1",
    doses: tuple[date, ...],
    uncovered: tuple[date, ...] = (),
    proposal: Proposal = Proposal.DATED_DOSES,
    moved: str | None = None,
    therapy: str = ANTIBODY.id,
    at: datetime,
) -> PlanRow:
    """Record a proposal of an issue of its own."""
    made = IssueRow(
        f"i-{plan_id}", at, at.date(), "issued", "model", "sha", 1, "i.nc", "f", "S", None
    )
    add_issue(records, made, settings_text="", summaries={})
    head = {"proposal": str(proposal), "uncovered_weeks_known": True, "moved": moved}
    reason = {
        "code": "dates_win",
        "sentence": "planned dates leave less uncovered",
        "source": "house",
    }
    ids = (plan_id, dog_id, made.id, therapy, "proposed", None)
    add_plans(records, [PlanRow(*ids, at, uncovered, (head, reason), doses)])
    return plan_of(records, plan_id)


def change_owner(records: Records, dog_id: str, owner_id: str, *, consent: str = "yes") -> None:
    """Give a dog to an owner who is new to the practice."""
    with records.writing() as connection:
        new = {"id": owner_id, "reference": f"K-{owner_id}", "name": "Bo Puddlewright"}
        connection.execute(insert(tables.owner).values(**new))
        said = {"owner_id": owner_id, "what": "messages", "answer": consent, "date": NOW.date()}
        connection.execute(insert(tables.consent).values(**said))
        of_dog = update(tables.dog).where(tables.dog.c.id == dog_id)
        connection.execute(of_dog.values(owner_id=owner_id))


def sign(
    records: Records, plan: PlanRow, *, dog: object, at: datetime, account: str = "vet 3"
) -> None:
    """Have a vet accept a plan on the day of a moment."""
    signature = Signature(account, at, (at + timedelta(hours=9)).date())
    accept_plan(records, plan, dog=dog, therapy=ANTIBODY, signature=signature)
