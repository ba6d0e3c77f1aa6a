"""What carries an alert's message: the mail server, the folder outbox, or a partner's address."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Protocol

from forecast.alerts.cap import cap_document
from forecast.alerts.folder import lay_down
from forecast.alerts.mails import owner_mail, parts_of
from forecast.alerts.outbox import MAIL, WEBHOOK, Claimed
from forecast.alerts.owner_mail import OwnerMail
from forecast.alerts.sending import DeliveryRules
from forecast.alerts.unsubscribing import token_of
from forecast.outbox import ALERTS
from forecast.practice import Practice
from forecast.records.alerts import alert
from forecast.records.engine import Records
from forecast.records.notices import FAILED, TOLD
from forecast.records.signing_keys import UNSUBSCRIBE, signing_key
from forecast.settings_notices import check_web_address
from jobs.channels.mail_session import Hand, MailSession
from jobs.channels.message import within
from jobs.secrets import SecretError, read_secret


class Carrier(Protocol):
    """Hands one message over and says how it ended."""

    def hand_over(self, message: Claimed) -> Hand:
        """Hand a message over."""

    def close(self) -> None:
        """End."""


def carrier_of(
    practice: Practice,
    records: Records,
    way: str,
    rules: DeliveryRules,
    *,
    environment: Mapping[str, str],
) -> Carrier:
    """Return what carries the messages of a way.

    Raises
    ------
    SecretError
        If it takes a secret that is not there.
    """
    letters = _Letters(practice, records)
    if way == MAIL:
        return _Mail(practice, letters, rules, _mail_password(practice, environment))
    if way == WEBHOOK:
        return _Webhook(practice, records, rules, *_webhook_secrets(practice, environment))
    return _Folder(practice, letters)


class _Letters:
    """Writes each message's mail; of an alert the common part once for each order of languages."""

    def __init__(self, practice: Practice, records: Records) -> None:
        self._practice, self._records = practice, records
        self._key = signing_key(records, UNSUBSCRIBE, now=practice.now)
        self._mails: dict[tuple[str, str, str | None], OwnerMail] = {}

    def written(self, message: Claimed) -> bytes | Hand:
        """Return the mail, or a hand that says why there is none: nothing of it went out."""
        try:
            return self._written(message)
        except (ValueError, LookupError) as error:
            return Hand("server", f"the mail could not be written ({type(error).__name__})")

    def _written(self, message: Claimed) -> bytes:
        of = (message.alert_id, message.news, message.language)
        if of not in self._mails:
            held = alert(self._records, message.alert_id)
            self._mails[of] = owner_mail(
                self._practice, self._records, held, message.news, first=message.language
            )
        assert message.address is not None
        token = token_of(message.id, self._key)
        return self._mails[of].written(message.id, message.address, message.name, token=token)


class _Mail:
    """Mails over one connection."""

    def __init__(
        self, practice: Practice, letters: _Letters, rules: DeliveryRules, password: str | None
    ) -> None:
        section = practice.settings.alerts.mail
        assert section is not None
        self._letters = letters
        self._session = MailSession(
            section,
            password=password,
            answer=rules.answer,
            whole=rules.whole,
            messages=rules.messages,
        )

    def hand_over(self, message: Claimed) -> Hand:
        assert message.address is not None
        written = self._letters.written(message)
        if isinstance(written, Hand):
            return written
        return self._session.hand_over(message.address.spec, written)

    def close(self) -> None:
        self._session.close()


class _Folder:
    """A file a message, for whoever sends them by other means."""

    def __init__(self, practice: Practice, letters: _Letters) -> None:
        self._practice, self._letters = practice, letters

    def hand_over(self, message: Claimed) -> Hand:
        written = self._letters.written(message)
        if isinstance(written, Hand):
            return written
        try:
            lay_down(self._practice, message.alert_id, message.id, written)
        except OSError as error:
            cause = (error.strerror or type(error).__name__).lower()
            return Hand("server", f"the folder outbox/{ALERTS} took nothing: {cause}")
        return Hand("sent")

    def close(self) -> None:
        """Nothing is open."""


class _Webhook:
    """The alert itself to a partner, signed; it names nobody."""

    def __init__(
        self, practice: Practice, records: Records, rules: DeliveryRules, url: str, secret: str
    ) -> None:
        self._practice, self._records, self._rules = practice, records, rules
        self._url, self._secret = url, secret

    def hand_over(self, message: Claimed) -> Hand:
        from jobs.channels.webhook import post_signed

        try:
            body = self._body(message)
        except (ValueError, LookupError) as error:
            return Hand("server", f"the alert could not be written ({type(error).__name__})")
        outcome = within(
            self._rules.whole,
            lambda: post_signed(
                *(message.id, body, self._url),
                secret=self._secret,
                sent_at=self._practice.now,
                timeout=self._rules.answer,
            ),
        )
        if outcome.state == TOLD:
            return Hand("sent")
        return Hand("later" if outcome.state == FAILED else "in doubt", outcome.error)

    def close(self) -> None:
        """Each post has its own connection."""

    def _body(self, message: Claimed) -> bytes:
        held = alert(self._records, message.alert_id)
        cap = cap_document(self._practice, self._records, held, message.news)
        parts = parts_of(self._practice, self._records, held, message.news)
        odds, usual_odds = held.told_odds
        told = {
            "type": f"forepaw.{message.news}",
            "timestamp": self._practice.now.isoformat(),
            "data": {
                "from": self._practice.settings.practice.name,
                "alert": held.id,
                "region": held.region_id,
                "kind": held.kind,
                "first_week": held.first_week.isoformat(),
                "last_week": held.last_week.isoformat(),
                "odds": odds,
                "usual_odds": usual_odds,
                "texts": {part.language: [part.subject, part.text] for part in parts},
                "cap": cap.decode("utf-8"),
            },
        }
        return json.dumps(told, ensure_ascii=False).encode()


def _mail_password(practice: Practice, environment: Mapping[str, str]) -> str | None:
    section = practice.settings.alerts.mail
    if section is None or section.user is None:
        return None
    password = read_secret(
        practice.secrets_folder / "alerts_mail.password",
        "FOREPAW_ALERTS_MAIL_PASSWORD",
        environment=environment,
        what="password",
        blanks=True,
    )
    if password is None:
        raise SecretError(
            "practice.toml names a user for the mail of alerts and there is no password; write it "
            "to secrets/alerts_mail.password (chmod 600) or set FOREPAW_ALERTS_MAIL_PASSWORD"
        )
    return password


def _webhook_secrets(practice: Practice, environment: Mapping[str, str]) -> tuple[str, str]:
    section, folder = practice.settings.alerts.webhook, practice.secrets_folder
    assert section is not None
    found = []
    for what, given in (("url", section.url), ("secret", None)):
        held = given or read_secret(
            folder / f"alerts_webhook.{what}",
            f"FOREPAW_ALERTS_WEBHOOK_{what.upper()}",
            environment=environment,
            what="address" if what == "url" else "secret",
        )
        if held is None:
            raise SecretError(
                f"practice.toml names a webhook for alerts and there is no {what} for it; write it "
                f"to secrets/alerts_webhook.{what} (chmod 600) or set "
                f"FOREPAW_ALERTS_WEBHOOK_{what.upper()}"
            )
        found.append(held)
    try:
        check_web_address(found[0])
    except ValueError as error:
        raise SecretError(f"the address of the webhook for alerts is refused: {error}") from None
    return found[0], found[1]
