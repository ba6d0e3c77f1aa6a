"""The section of practice.toml on alerts: approval, languages, and the ways they leave."""

from __future__ import annotations

from pydantic import Field, field_validator

from forecast.settings_delivery import AlertMailSection, AlertWebhookSection
from forecast.settings_sections import LocalTime, Section


class AlertsSection(Section):
    """Four eyes: two people stand behind every text that goes out. It is switched off here alone.

    `languages` are those an alert is written in, the practice's own unless given; one that no
    catalogue speaks whole is written in English.

    Without `mail` the mails to owners are written into the folder outbox. `quiet_from` and
    `quiet_until` are times of the region, between which nothing goes out; not given, those of
    the table forecast/alerts/delivery.toml. With `feed` the pages give alerts to anybody.
    """

    four_eyes: bool = True
    languages: tuple[str, ...] = Field(default=(), strict=False)
    quiet_from: LocalTime | None = None
    quiet_until: LocalTime | None = None
    feed: bool = False
    mail: AlertMailSection | None = None
    webhook: AlertWebhookSection | None = None

    @field_validator("languages")
    @classmethod
    def _two_letters_each(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        for one in value:
            if len(one) != 2 or not (one.isascii() and one.islower()):
                raise ValueError('it must list two-letter codes of languages such as "de"')
        return tuple(dict.fromkeys(value))
