"""The section of practice.toml that says what stands at the head of letters and in calendars."""

from __future__ import annotations

from pydantic import Field, field_validator

from forecast.settings_sections import Section

_LONGEST_LINE = 80


class LettersSection(Section):
    """How owners reach the practice; what is not given is left open on a letter, for a pen.

    Attributes
    ----------
    address
        The lines of the practice's address.
    phone, emergency_phone
        By day, and at night and on closed days.
    mail
        The practice's mail address: whom calendars name as the one who sent them.
    """

    address: tuple[str, ...] = Field(default=(), strict=False, max_length=6)
    phone: str | None = Field(default=None, min_length=1, max_length=_LONGEST_LINE)
    emergency_phone: str | None = Field(default=None, min_length=1, max_length=_LONGEST_LINE)
    mail: str | None = Field(default=None, pattern=r"^[^@\s:,;\"]+@[^@\s:,;\"]+$")

    @field_validator("address")
    @classmethod
    def _lines_are_lines(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for line in value:
            if not line.strip() or len(line) > _LONGEST_LINE or not line.isprintable():
                raise ValueError(
                    f"each line of it must hold something, in at most {_LONGEST_LINE} letters"
                )
        return value
