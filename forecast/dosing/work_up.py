"""What is found out about a dog before a therapy: in which order, in what words, and how."""

from __future__ import annotations

from dataclasses import dataclass

from forecast.dosing.dog_record import Reason

PROFESSION = "standard work-up: Hensel et al. 2015, BMC Vet Res 11:196"
DIET = "Olivry, Mueller & Prelaud 2015, BMC Vet Res 11:225"
HOUSE = "rule of this service"


@dataclass(frozen=True)
class FindingKind:
    """A finding, the answer that lets a plan go on, and how a practice comes to know it."""

    words: str
    wanted: bool
    how: str


# What is asked of every dog before any therapy, in the order of a work-up: parasites and fleas,
# infection, food (asked between the two groups, see `readiness`), then environmental allergy.
RULE_OUTS = {
    "examination": FindingKind("examination by a vet", True, "examine the dog"),
    "flea_control": FindingKind("flea control in force", True, "comb, and start flea control"),
    "ectoparasites": FindingKind("sarcoptic or other mites", False, "scrape, or treat on trial"),
    "skin_infection": FindingKind(
        "untreated skin or ear infection", False, "take cytology and treat what it shows"
    ),
}
DIAGNOSIS = {
    "atopic_dermatitis": FindingKind(
        "diagnosis of atopic dermatitis", True, "complete the work-up and record the diagnosis"
    ),
}
WORK_UP = RULE_OUTS | DIAGNOSIS
# What calls for a diet trial where it is there.
CALLS_FOR_DIET = {
    "perennial_signs": ("whether it itches all year", "it itches all year"),
    "gut_signs": ("gut signs beside the itch", "it has gut signs beside the itch"),
}
# What may speak against a therapy; the table says which of them, and how strongly.
FINDINGS = {
    "demodicosis": FindingKind("demodicosis", False, "take deep scrapes or hair plucks"),
    "neoplasia": FindingKind("neoplasia, now or before", False, "examine and palpate the dog"),
    "serious_infection": FindingKind("serious infection", False, "examine the dog"),
    "immune_suppression": FindingKind("suppressed immune system", False, "take the history"),
    "pregnant_or_lactating": FindingKind("pregnancy or lactation", False, "examine the bitch"),
    "breeding": FindingKind("use for breeding", False, "ask the owner"),
    "hypersensitivity": FindingKind(
        "earlier reaction to this therapy", False, "ask the owner and read the record"
    ),
    "live_vaccination": FindingKind("live vaccine", False, "read the vaccination record"),
    "diabetes_mellitus": FindingKind("diabetes mellitus", False, "test blood and urine"),
    "hyperadrenocorticism": FindingKind("hyperadrenocorticism", False, "take history and test"),
    "renal_disease": FindingKind("kidney disease", False, "test blood and urine"),
    "heart_failure": FindingKind("heart disease", False, "examine the dog"),
    "gut_ulcer": FindingKind("ulcer of stomach or gut", False, "take the history"),
    "corneal_ulcer": FindingKind("ulcer of the cornea", False, "examine the eyes"),
    "nsaid_in_use": FindingKind("anti-inflammatory painkiller in use", False, "ask the owner"),
}
# Everything else that may hold a plan up, in words.
OTHER_CHECKS = {
    "species": "species",
    "urgent_signs": "signs that need care now",
    "itch_now": "itch now",
    "itch_score": "itch score",
    "flare_open": "itch score since the last flare visit",
    "age": "date of birth",
    "too_young": "age",
    "weight": "weight",
    "too_light": "weight",
    "food_trial": "diet trial",
    "therapy_history": "history of therapies",
    "dispensed_only": "whether a dose handed out was given",
    "unmapped_item": "class of an item of the practice's own",
    "adverse_reaction": "adverse reaction",
    "allergy_test": "allergy test",
    "response": "response to this therapy",
    "no_response": "response to this therapy",
    "response_unlikely": "response to this therapy",
    "response_by_scores": "response to this therapy",
    "other_therapy": "another therapy under way",
    "not_planned_ahead": "a therapy that is not planned ahead",
    "risk": "risk in the weeks ahead",
    "no_open_day": "open days of the branch",
    "risk_basis": "risk in the weeks ahead",
    "own_effect_time": "how long a dose holds",
    "risk_not_known": "risk in the weeks ahead",
    "checks_passed": "all checks",
    "no_pattern": "flares in the same part of the year",
    "dates_win": "doses ahead beside doses at itch",
    "hold_wins": "doses ahead beside doses at itch",
    "odds": "doses ahead beside doses at itch",
    "tablet_dates": "dates of a daily tablet",
    "begin_months_before": "when it has to begin",
    "price": "price of a dose",
    "price_not_asked": "price of a dose",
} | {code: words for code, (words, _) in CALLS_FOR_DIET.items()}
NOT_ON_RECORD, TOO_OLD, SPEAKS_AGAINST = "not on record", "too old", "speaks against"
ENTIRE_BITCH_ONLY = "pregnant_or_lactating"
ENTIRE_ONLY = "breeding"
NOT_KNOWN_END, STALE_END = "_not_known", "_stale"  # ends of the codes of reasons


def bare_code(code: str) -> str:
    """Return the code of what a reason is about, without its end."""
    return code.removesuffix(NOT_KNOWN_END).removesuffix(STALE_END)


def check_words(code: str) -> str:
    """Return a check in words, by the code of its reasons without their ends."""
    kinds = WORK_UP | FINDINGS
    return kinds[code].words if code in kinds else OTHER_CHECKS[code]


def check_of(reason: Reason) -> tuple[str, str]:
    """Return which check a reason against a plan comes from, in words, and how it went."""
    code = bare_code(reason.code)
    if reason.code.endswith(STALE_END):
        return check_words(code), TOO_OLD
    return check_words(code), SPEAKS_AGAINST if reason.known else NOT_ON_RECORD
