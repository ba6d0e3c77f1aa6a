"""Webhook: a message posted to a web address as JSON, signed so that its origin can be checked.

Signed as the Standard Webhooks specification (v1) says: headers ``webhook-id``,
``webhook-timestamp`` and ``webhook-signature``, the last an HMAC-SHA256 of
``<id>.<timestamp>.<body>`` in base64 after ``v1,``. A receiver keeps the id to tell a second
delivery of the same news.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
from datetime import datetime
from urllib.parse import urlsplit

import requests
from urllib3.exceptions import ConnectTimeoutError, NewConnectionError

from forecast.records.notices import FAILED, NOT_KNOWN, TOLD
from jobs.channels.message import Message, Outcome

_PREFIX = "whsec_"  # before a key that is written in base64


def post_message(
    message: Message, url: str, *, secret: str, sender: str, sent_at: datetime, timeout: float
) -> Outcome:
    """Post a message; the answer's first word may take `timeout` seconds. No redirect is followed.

    Of the address only the host is ever told: its path may be a secret.
    """
    body = _body(message, sender)
    return post_signed(message.id, body, url, secret=secret, sent_at=sent_at, timeout=timeout)


def post_signed(
    message_id: str, body: bytes, url: str, *, secret: str, sent_at: datetime, timeout: float
) -> Outcome:
    """Post a body as `post_message` does; the id is the same for the same news."""
    where = f"the web address at {urlsplit(url).hostname}"
    headers = {"Content-Type": "application/json; charset=utf-8", "User-Agent": "forepaw"}
    headers |= signed_headers(message_id, body, secret=secret, sent_at=sent_at)
    try:
        with requests.Session() as session:
            reply = session.post(
                url,
                data=body,
                headers=headers,
                timeout=timeout,
                allow_redirects=False,
                stream=True,  # the answer's body is not asked for
            )
            reply.close()
    except requests.RequestException as error:
        return _failed(where, error)
    if 200 <= reply.status_code < 300:
        return Outcome(TOLD)
    return Outcome(FAILED, f"{where} answered with status {reply.status_code}")


def signed_headers(
    message_id: str, body: bytes, *, secret: str, sent_at: datetime
) -> dict[str, str]:
    """Return the three headers that tell a receiver that the body is ours."""
    stamp = str(int(sent_at.timestamp()))
    content = f"{message_id}.{stamp}.".encode() + body
    signature = base64.b64encode(hmac.new(_key(secret), content, hashlib.sha256).digest()).decode()
    return {
        "webhook-id": message_id,
        "webhook-timestamp": stamp,
        "webhook-signature": f"v1,{signature}",
    }


def _key(secret: str) -> bytes:
    if not secret.startswith(_PREFIX):
        return secret.encode()
    try:
        return base64.b64decode(secret.removeprefix(_PREFIX), validate=True)
    except binascii.Error:
        return secret.encode()


def _body(message: Message, sender: str) -> bytes:
    told = {
        "type": "forepaw.notices",
        "timestamp": message.written_at.isoformat(),
        "data": {"from": sender, "text": message.text, "notices": message.facts},
    }
    return json.dumps(told, ensure_ascii=False).encode()


def _failed(where: str, error: requests.RequestException) -> Outcome:
    if isinstance(error, requests.exceptions.SSLError):
        return Outcome(FAILED, f"{where} could not be trusted: its certificate or TLS failed")
    if isinstance(error, requests.ConnectTimeout):
        return Outcome(FAILED, f"{where} could not be reached: it took too long")
    if isinstance(error, requests.Timeout):
        return Outcome(NOT_KNOWN, f"{where} gave no answer: it took too long")
    if isinstance(error, requests.ConnectionError):
        cause = error.args[0] if error.args else error
        reason = getattr(cause, "reason", cause)
        if isinstance(reason, NewConnectionError | ConnectTimeoutError):
            return Outcome(FAILED, f"{where} could not be reached")
        return Outcome(NOT_KNOWN, f"{where} gave no answer: it broke the connection off")
    return Outcome(FAILED, f"{where} could not be asked: {type(error).__name__}")
