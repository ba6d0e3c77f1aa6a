"""Send: hand waiting notices to each way out that practice.toml names, at most once on each."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.notices import (
    FAILED,
    TOLD,
    Delivery,
    DeliveryState,
    claim_to_tell,
    deliveries,
    mark_told,
    to_tell,
)
from forecast.settings_notices import MailSection, WebhookSection, check_web_address
from jobs.channels import Message, Outcome, within
from jobs.ledger import JobResult, recorded_run
from jobs.notices import telling_rules, worded
from jobs.secrets import SecretError, read_secret
from models.parameters import load_table

JOB = "send"
MAIL, WEBHOOK = "mail", "webhook"


@dataclass(frozen=True)
class Sent:
    """What became of the news that one way out had to tell."""

    channel: str
    n_news: int
    state: DeliveryState
    error: str | None


def send(
    practice: Practice,
    records: Records,
    *,
    say: Callable[[str], None],
    environment: Mapping[str, str] | None = None,
) -> list[Sent]:
    """Tell what there is to tell now; where there is nothing, no run is written down.

    A way out that fails is tried again later and stops no other.
    """
    rules, now = telling_rules(), practice.now
    waiting = _with_news(practice, records)
    if not waiting:
        return []
    environment = os.environ if environment is None else environment
    done = []
    with recorded_run(practice, records, JOB, local_date=practice.today, cut=None) as result:
        for name in waiting:
            told = claim_to_tell(records, name, now=now, rules=rules)
            if not told:
                continue
            outcome = _deliver(practice, name, worded(practice, told), environment)
            mark_told(records, told, name, state=outcome.state, now=now, error=outcome.error)
            done.append(Sent(name, len(told), outcome.state, outcome.error))
        _sum_up(result, done)
    if done:
        say(result.sentence)
    return done


def has_news(practice: Practice, records: Records) -> bool:
    """Whether any way out has something to tell now."""
    return bool(_with_news(practice, records))


def channels(practice: Practice) -> list[str]:
    """Return the ways out that practice.toml names."""
    section = practice.settings.notices
    named = ((MAIL, section.mail), (WEBHOOK, section.webhook))
    return [name for name, settings in named if settings is not None]


def troubled_deliveries(practice: Practice, records: Records) -> list[Delivery]:
    """Return the deliveries on ways in use that did not surely arrive, newest first.

    One is there until a later one on the same way arrived.
    """
    found, healed = [], set()
    for one in deliveries(records):
        if one.state == TOLD:
            healed.add(one.channel)
        elif one.channel in channels(practice) and one.channel not in healed:
            found.append(one)
    return found


def _with_news(practice: Practice, records: Records) -> list[str]:
    rules, now = telling_rules(), practice.now
    return [name for name in channels(practice) if to_tell(records, name, now=now, rules=rules)]


def _deliver(
    practice: Practice, channel: str, message: Message, environment: Mapping[str, str]
) -> Outcome:
    section, table = practice.settings.notices, load_table("jobs", "notices.toml")
    answer, whole = table.number("delivery.answer"), table.number("delivery.whole")
    try:
        if channel == MAIL:
            assert section.mail is not None
            deliver = _mail(practice, section.mail, message, environment, answer)
        else:
            assert section.webhook is not None
            deliver = _webhook(practice, section.webhook, message, environment, answer)
    except SecretError as refusal:
        return Outcome(FAILED, str(refusal))
    return within(whole, deliver)


def _mail(
    practice: Practice,
    settings: MailSection,
    message: Message,
    environment: Mapping[str, str],
    timeout: float,
) -> Callable[[], Outcome]:
    from jobs.channels.mail import send_mail

    password = None
    if settings.user is not None:
        password = read_secret(
            practice.secrets_folder / "mail.password",
            "FOREPAW_MAIL_PASSWORD",
            environment=environment,
            what="password",
            blanks=True,
        )
        if password is None:
            raise SecretError(
                "practice.toml names a user for mail and there is no password; write it to "
                "secrets/mail.password (chmod 600) or set FOREPAW_MAIL_PASSWORD"
            )
    name = practice.settings.practice.name
    return lambda: send_mail(
        message, settings, password=password, sender_name=name, timeout=timeout
    )


def _webhook(
    practice: Practice,
    settings: WebhookSection,
    message: Message,
    environment: Mapping[str, str],
    timeout: float,
) -> Callable[[], Outcome]:
    from jobs.channels.webhook import post_message

    folder = practice.secrets_folder
    url = settings.url or read_secret(
        folder / "webhook.url", "FOREPAW_WEBHOOK_URL", environment=environment, what="address"
    )
    secret = read_secret(
        folder / "webhook.secret", "FOREPAW_WEBHOOK_SECRET", environment=environment, what="secret"
    )
    if url is None or secret is None:
        lacking, file = ("address", "url") if url is None else ("secret", "secret")
        raise SecretError(
            f"practice.toml names a webhook and there is no {lacking} for it; write it to "
            f"secrets/webhook.{file} (chmod 600) or set FOREPAW_WEBHOOK_{file.upper()}"
        )
    try:
        check_web_address(url)
    except ValueError as error:
        raise SecretError(f"the webhook's address is refused: {error}") from None
    address, key, name = url, secret, practice.settings.practice.name
    return lambda: post_message(
        message, address, secret=key, sender=name, sent_at=practice.now, timeout=timeout
    )


def _sum_up(result: JobResult, done: list[Sent]) -> None:
    result.rows = sum(sent.n_news for sent in done if sent.state == TOLD)
    result.sentence = "; ".join(
        f"{sent.n_news} news by {sent.channel}: {sent.state}"
        + (f" ({sent.error})" if sent.error else "")
        for sent in done
    )
    result.failed = any(sent.state == FAILED for sent in done)
