"""The section of practice.toml on alerts: how they are approved and in which languages written."""

from __future__ import annotations

from pydantic import Field, field_validator

from forecast.settings_sections import Section


class AlertsSection(Section):
    """Four eyes: two people stand behind every text that goes out. It is switched off here alone.

    `languages` are those an alert is written in, the practice's own unless given; one that no
    catalogue speaks whole is written in English.
    """

    four_eyes: bool = True
    languages: tuple[str, ...] = Field(default=(), strict=False)

    @field_validator("languages")
    @classmethod
    def _two_letters_each(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for one in value:
            if len(one) != 2 or not (one.isascii() and one.islower()):
                raise ValueError('it must list two-letter codes of languages such as "de"')
        return tuple(dict.fromkeys(value))
