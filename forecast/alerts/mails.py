"""An alert's words as mails: the approved text to the letter, or that it is withdrawn."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from forecast.alerts import messages
from forecast.alerts.catalogues import language
from forecast.alerts.desk import first_language_of
from forecast.alerts.outbox import WITHDRAWAL
from forecast.alerts.owner_mail import Foot, OwnerMail, Part, Sender, in_order
from forecast.alerts.places import region_name
from forecast.alerts.unsubscribing import PATH
from forecast.practice import Practice
from forecast.records.alert_texts import AlertText, texts
from forecast.records.alerts import Alert
from forecast.records.engine import Records

NO_REPLY_ADDRESS = "alerts@practice.invalid"  # in the folder outbox, where no mail server is named


def owner_mail(
    practice: Practice, records: Records, alert: Alert, news: str, *, first: str | None = None
) -> OwnerMail:
    """Return the mail of an alert, or of its withdrawal, in its languages.

    `first` is the language of whoever gets it: where the alert is in it, it comes first.
    """
    parts = parts_of(practice, records, alert, news, first=first)
    region, name = region_name(practice, alert), practice.settings.practice.name
    feet = [_foot(part.language, name, region) for part in parts]
    public = practice.settings.pages.public_address
    base = None if public is None else f"{public}{PATH}"
    return OwnerMail(sender_of(practice), parts, feet, _written_at(alert, news), base)


def parts_of(
    practice: Practice, records: Records, alert: Alert, news: str, *, first: str | None = None
) -> Sequence[Part]:
    """Return what is said in each language: `first` if it is among them, else the practice's."""
    held = texts(records, alert.id)
    said = {
        code: _withdrawn(practice, alert, text)
        if news == WITHDRAWAL
        else Part(code, text.subject, text.whole)
        for code, text in held.items()
    }
    leads = first if first is not None and first in said else first_language_of(practice).code
    return in_order(said, leads)


def sender_of(practice: Practice) -> Sender:
    """Return who writes to owners."""
    name, mail = practice.settings.practice.name, practice.settings.alerts.mail
    if mail is None:
        return Sender(name, NO_REPLY_ADDRESS)
    return Sender(name, mail.sender, mail.reply_to)


def _withdrawn(practice: Practice, alert: Alert, text: AlertText) -> Part:
    speaks, zone = language(text.language), practice.time_zone
    day = (alert.sent_at or alert.made_at).astimezone(zone).date()
    ended = (alert.withdrawn_at or alert.made_at).astimezone(zone).date()
    told = speaks.say(messages.WITHDRAWN, day=speaks.day(day, beside=ended), subject=text.subject)
    # the fixed blocks too: whoever reads this one alone has an itching dog as well
    said = [speaks.say(messages.INVENTED)] if practice.settings.practice.invented else []
    said += [speaks.say(messages.GREETING), told, speaks.say(messages.WITHDRAWN_STILL)]
    whole = "\n\n".join([*said, text.blocks.strip()])
    subject = speaks.say(messages.WITHDRAWN_SUBJECT, subject=text.subject)
    return Part(text.language, subject, whole)


def _foot(code: str, practice: str, region: str) -> Foot:
    speaks = language(code)
    return Foot(
        code,
        speaks.say(messages.FOOT_WHY, practice=practice, region=region),
        speaks.say(messages.FOOT_STOP),
        speaks.say(messages.FOOT_BY_WORD),
    )


def _written_at(alert: Alert, news: str) -> datetime:
    moment = alert.withdrawn_at if news == WITHDRAWAL else alert.sent_at
    return moment or alert.made_at
