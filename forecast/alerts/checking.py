"""What a person wrote into a draft, looked at before it is kept: what no alert may say is refused.

This finds slips, not ill will: a second person reads every text before it goes out.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator

from forecast.alerts.deciding import table
from models.errors import ForepawError
from models.parameters import load_table

_DOSE = re.compile(r"\d+(?:[.,]\d+)?\s*(?:mg|mcg|µg|μg|ml|iu|ie|i\.\s?e\.|mg/kg|ml/kg)\b", re.I)
_TABLETS = re.compile(
    r"(?:\d+|one|two|half|eine?|zwei|halbe)\s+(?:tablets?|pills?|tabletten?)", re.I
)
_COUNT = re.compile(
    r"\d+\s+(?:\w+\s+)?(?:flares?|visits?|consultations?|cases?|patients?|dogs|animals|pets|"
    r"schübe?n?|besuche?n?|konsultationen|fälle|patienten|hunden?|tieren?)\b",
    re.I,
)
_ODDS_IN_CASES = re.compile(r"\d+ von \d+ fällen", re.I)
_TAG = re.compile(r"<\s*[a-z/!]", re.I)
_PLACE = re.compile(r"[{}]")
_MARK = re.compile("[®™©]")
_LINK = re.compile(r"https?://|www\.", re.I)


class TextError(ForepawError):
    """A text that an alert must not have."""


def check_text(subject: str, body: str) -> tuple[str, str]:
    """Return a subject and a body as they are kept, without blanks around.

    Raises
    ------
    TextError
        If they are empty, too long, or hold a dose, a brand's mark, a count of patients, a tag, a
        link, or words that reassure about one dog or change its treatment.
    """
    subject, body = subject.strip(), body.replace("\r\n", "\n").strip()
    for what, text, longest in (
        ("subject", subject, table().number("text.longest_subject")),
        ("text", body, table().number("text.longest_body")),
    ):
        if not text:
            raise TextError(f"the {what} is empty; write one, or throw the draft away")
        if len(text) > longest:
            raise TextError(
                f"the {what} has {len(text)} letters and may have {longest:.0f}; make it shorter"
            )
        allowed = "" if what == "subject" else "\n"
        odd = next((c for c in text if _is_control(c) and c not in allowed), None)
        if odd is not None:
            raise TextError(
                f"the {what} holds the invisible character U+{ord(odd):04X}; take it out"
            )
    found = next(_unfit(f"{subject}\n{body}"), None)
    if found is not None:
        raise TextError(found)
    return subject, body


def _is_control(character: str) -> bool:
    return unicodedata.category(character) in ("Cc", "Cf", "Zl", "Zp")


def _unfit(text: str) -> Iterator[str]:
    rules = (
        (_DOSE, "looks like a dose; no alert names one, each dog's vet does"),
        (_TABLETS, "looks like a dose; no alert names one, each dog's vet does"),
        (_MARK, "marks a brand; name no product, by kind alone"),
        (_TAG, "looks like a tag of a web page; write plain text"),
        (_PLACE, "is a place to fill in, which nobody fills; write what stands there"),
        (
            _LINK,
            "is a link; mails with links are mistrusted, so ask owners to call",
        ),
    )
    for pattern, why in rules:
        if found := pattern.search(text):
            yield f"the text holds {found[0]!r}, which {why}"
    for found in _COUNT.finditer(text):
        if not _ODDS_IN_CASES.search(text, max(0, found.start() - 10), found.end()):
            yield (
                f"the text holds {found[0]!r}, which looks like a count of patients; partners read "
                "it too, so write odds"
            )
    folded = text.casefold()
    for name, parameter in load_table("forecast.alerts", "unfit_words.toml").parameters.items():
        for words in parameter.value:  # type: ignore[union-attr]
            if str(words) in folded:
                kind = name.partition(".")[0]
                why = (
                    "promises something about one dog, which nobody can"
                    if kind == "reassuring"
                    else "changes a treatment or makes a diagnosis, which its vet alone does"
                )
                yield f"the text says {words!r}, which {why}"
