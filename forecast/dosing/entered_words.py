"""What was entered of a dog, in words: a line of its history, and what may be taken back."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from forecast.dosing.entering import findings_asked
from forecast.records.care import PVAS, SPOKEN, UNMAPPED_THERAPY
from forecast.records.entries import Entered, EnteredRow
from forecast.visits.importing.patient_reading import PRICE, WEIGHT
from models.words import number_of

_STATUSES = {"dispensed": "handed out"}  # as the form says it
_REASONS = {"not known": "", "calendar": ", by the calendar"}
_SCALES = {PVAS: "on the line (PVAS)", SPOKEN: "spoken, no PVAS"}
Words = Mapping[str, str]


def therapy_words(therapy: str, words: Words) -> str:
    """Return what a class of therapy is called, `words` by class."""
    return "item of no class yet" if therapy == UNMAPPED_THERAPY else words.get(therapy, therapy)


def dose_words(status: str, until: date | None, reason: str, responded: bool | None) -> str:
    """Say what became of a dose or course: ``given until 2024-05-01, for itch; responded``."""
    span = f" until {until}" if until else ""
    answer = {True: "; responded", False: "; no response", None: ""}[responded]
    why = _REASONS.get(reason, f", for {reason}")
    return f"{_STATUSES.get(status, status)}{span}{why}{answer}"


def scale_words(scale: str) -> str:
    """Say on what scale an itch score is."""
    return _SCALES.get(scale, "scale not known")


def entered_words(entered: Entered, words: Words) -> str:
    """Say what was entered at once; `words` are those of the classes of therapy."""
    return "; ".join(_row(one, words) for one in entered.rows)


def _row(row: EnteredRow, words: Words) -> str:
    said: Mapping[str, Any] = row.values
    therapy = therapy_words(said.get("therapy", ""), words)
    match row.table:
        case "pruritus_score":
            by = "" if said["scorer"] == "not known" else f", by {said['scorer']}"
            return f"itch score {said['pvas']:g} {scale_words(said['scale'])}{by}"
        case "dog_fact":
            return _fact(said)
        case "therapy_event":
            what = (said["status"], said["until"], said["reason"], said["responded"])
            return f"{therapy} {dose_words(*what)}"
        case "adverse_reaction":
            return f"adverse reaction to {therapy}"
        case "therapy_release":
            return f"{therapy} signed to be given again"
        case "dog_status":
            return f"recorded as {said['status']}"
        case "response_trial":
            return f"response trial of {therapy} begun"
        case other:
            return other.replace("_", " ")


def _fact(said: Mapping[str, Any]) -> str:
    kind, number = said["kind"], said["number"]
    if kind == WEIGHT:
        return f"weight {number:g} kg"
    if kind == PRICE:
        return f"a dose must spare {number_of(number, 'flare-week')}"
    return f"{findings_asked().get(kind, kind)}: {said['word']}"
