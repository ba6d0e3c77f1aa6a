"""The languages letters and calendars are written in; their catalogues stand in `locales/`."""

from __future__ import annotations

from dataclasses import dataclass

from forecast.languages import Catalogues, Language, language_name
from forecast.letters.messages import all_messages
from forecast.settings import Settings

CATALOGUES = Catalogues("forecast.letters", all_messages())


@dataclass(frozen=True)
class Chosen:
    """The language in which something goes out to an owner, and why in that one."""

    speaks: Language
    why: str


def language_for(settings: Settings, owners: str | None) -> Chosen:
    """Choose the language for an owner: their own, else the practice's, else English.

    Parameters
    ----------
    owners
        The language on the owner's record (ISO 639-1); None where it is not known.
    """
    practices = settings.practice.language
    speaks = CATALOGUES.language(owners, practices)
    if owners == speaks.code:
        return Chosen(speaks, "the owner's language")
    if owners is None:
        why = "the owner's language is not on record"
    else:
        why = f"there are no letters in {language_name(owners)}, the owner's language"
    if practices == speaks.code:
        return Chosen(speaks, f"the practice's; {why}")
    own = f"there are no letters in {language_name(practices)}, the practice's own"
    return Chosen(speaks, f"{why}; {own}")
