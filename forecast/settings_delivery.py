"""The sections of practice.toml that say on which ways alerts leave the house."""

from __future__ import annotations

from pydantic import Field, field_validator

from forecast.settings_notices import MailServerSection, WebhookSection, check_mail_address


class AlertMailSection(MailServerSection):
    """A mail server that takes the mails to owners; its password is never written here."""

    reply_to: str | None = None  # not given: answers come to `from`
    most_per_minute: int | None = Field(default=None, ge=1, le=100_000)

    @field_validator("reply_to")
    @classmethod
    def _one_reply_address(cls, value: str | None) -> str | None:
        if value is not None:
            check_mail_address(value)
        return value


class AlertWebhookSection(WebhookSection):
    """A partner's web address that takes each alert once, signed, without anybody's name."""
