"""A practice with owners, dogs and an approved alert, made by inserts: as few or many as wanted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from sqlalchemy import insert

from forecast.practice import Practice, create_practice, open_practice
from forecast.records import Records, open_records, tables
from forecast.records.alert_rules import AlertRule, add_rule
from forecast.records.alert_texts import AlertText
from forecast.records.alerts import Alert, add_alert
from forecast.records.bulk import insert_rows

NOW = datetime(2026, 4, 14, 9, 0, tzinfo=UTC)  # eleven o'clock in the regions
FIRST_WEEK, LAST_WEEK = date(2026, 4, 20), date(2026, 4, 27)
PUBLIC = "https://forepaw.practice.example"
SUBJECT = "Weeks with flares are near"
BODY = "Dear dog owner,\n\nWeeks with more flares are near.\n\nYou can:\n- bathe it\n- wipe paws"
BLOCKS = "Please note:\n- A swollen face is an emergency.\n- No medicines made for people."
_REGION = """
[[region]]
id = "{id}"
name = "{name}"
latitude = 48.0
longitude = 11.0
elevation = 500.0
time_zone = "{zone}"
allergens = ["grasses"]
"""


@dataclass(frozen=True)
class Pet:
    """A dog, or another animal, and where it lives."""

    region: str | None = "north"
    status: str | None = "active"
    species: str | None = "dog"


@dataclass(frozen=True)
class Person:
    """An owner as the register has one."""

    id: str
    contact: str | None
    consent: str | None = "yes"
    pets: tuple[Pet, ...] = (Pet(),)
    status: str | None = None
    name: str = "Ada Example"


def settings(
    *,
    regions: Sequence[tuple[str, str]] = (("north", "Europe/Berlin"),),
    mail_port: int | None = None,
    mail: str = "",
    webhook: str | None = None,
    more: str = "",
) -> str:
    """Return a practice.toml; every hour is one at which alerts go out, unless `more` says so."""
    text = '[practice]\nname = "Praxis am See"\ncountry = "DE"\n'
    for number, (region, zone) in enumerate(regions):
        text += _REGION.format(id=region, name=f"Region {number}", zone=zone)
    text += "[dosing]\nflare_weeks_per_dose = 0.1\n"
    text += f'[pages]\npublic_address = "{PUBLIC}"\n'
    text += f'[alerts]\nlanguages = ["en"]\n{more}\n'
    if mail_port is not None:
        text += '[alerts.mail]\nfrom = "alerts@practice.example"\nhost = "127.0.0.1"\n'
        text += f"port = {mail_port}\n"
        if "security" not in mail:
            text += 'security = "none"\n'
        if "most_per_minute" not in mail:
            text += "most_per_minute = 100000\n"
        text += f"{mail}\n"
    if webhook is not None:
        text += f'[alerts.webhook]\nurl = "{webhook}"\n'
    return text


def make_practice(folder: Path, text: str, *, now: datetime = NOW) -> Practice:
    """Make a practice folder with some settings."""
    return create_practice(folder, text, now=now)


def at(practice: Practice, now: datetime) -> Practice:
    """Return the practice at another moment."""
    return open_practice(practice.folder, now=now)


def add_people(records: Records, people: Iterable[Person]) -> None:
    """Add owners with their dogs, in the driver's own way."""
    owners, dogs, homes, dog_statuses, consents, owner_statuses = ([] for _ in range(6))
    day = "2025-01-01"
    for person in people:
        owners.append((person.id, f"K-{person.id}", person.name, person.contact))
        if person.consent is not None:
            consents.append((person.id, "messages", person.consent, day))
        if person.status is not None:
            owner_statuses.append((person.id, person.status, None))
        for number, pet in enumerate(person.pets):
            dog = f"{person.id}-{number}"
            dogs.append((dog, person.id, pet.species))
            if pet.region is not None:
                homes.append((dog, "region", pet.region))
            if pet.status is not None:
                dog_statuses.append((dog, pet.status, None, False))
    with records.writing() as connection:
        for table, columns, rows in (
            (tables.owner, ("id", "reference", "name", "contact"), owners),
            (tables.dog, ("id", "owner_id", "species"), dogs),
            (tables.home, ("dog_id", "place", "region_id"), homes),
            (tables.dog_status, ("dog_id", "status", "date", "day_given"), dog_statuses),
            (tables.consent, ("owner_id", "what", "answer", "date"), consents),
            (tables.owner_status, ("owner_id", "status", "date"), owner_statuses),
        ):
            insert_rows(connection, table, columns, rows)


def add_approved(
    records: Records,
    alert_id: str = "a1",
    *,
    region: str = "north",
    kind: str = "season near",
    budget: int = 3,
    gap: int = 28,
    odds: float | None = 0.4,
    languages: Sequence[str] = ("en",),
    first_week: date = FIRST_WEEK,
    body: str = BODY,
    skill: str = "better",
) -> Alert:
    """Add an approved alert with its rule; the same issue may be cited by several."""
    rule = AlertRule(
        f"rule-{alert_id}", region, NOW, "command line", True, 1.0, 4.0, 0.75, 5, 28, gap,
        ("season near",), budget, "hold",
    )  # fmt: skip
    made = Alert(
        alert_id, region, kind, "approved", rule.id, "i1", NOW, "clock", first_week, LAST_WEEK,
        odds, 0.2, skill, {}, approved_at=NOW,
    )  # fmt: skip
    written = [
        AlertText(alert_id, one, 1, f"{SUBJECT} ({one})", body, BLOCKS, NOW, "clock")
        for one in languages
    ]
    with records.writing() as connection:
        if connection.execute(tables.issue.select()).first() is None:
            connection.execute(insert(tables.settings_text), {"sha256": "s", "text": ""})
            issue = {"id": "i1", "issued_at": NOW, "origin": NOW.date(), "kind": "issued"}
            issue |= {"model_hash": "m", "settings_sha256": "s", "seed": 1, "file": "f"}
            issue |= {"file_sha256": "h", "climate_snapshot": "c"}
            connection.execute(insert(tables.issue), issue)
        add_rule(connection, rule)
        add_alert(connection, made, written)
    return made


def opened(practice: Practice) -> Records:
    """Open the records."""
    return open_records(practice)


def states(records: Records) -> dict[str, tuple[str, str | None]]:
    """Return state and why of each owner's message of the alert itself."""
    message = tables.alert_message
    with records.reading() as connection:
        rows = connection.execute(message.select().where(message.c.news == "alert"))
        return {row.owner_id or "partner": (row.state, row.why) for row in rows}
