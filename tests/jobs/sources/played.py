"""A reply without a server: what a request would have brought, for tests of parsers."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime
from typing import Any

from jobs.sources.source import RawReply, Request

NOW = datetime(2026, 6, 10, 8, 0, 30, tzinfo=UTC)


def reply_to(
    request: Request,
    body: Any,
    *,
    retrieved_at: datetime = NOW,
    content_type: str = "application/json",
) -> RawReply:
    """Return the reply with that body: bytes as they are, text as UTF-8, all else as JSON."""
    if isinstance(body, str):
        body = body.encode()
    elif not isinstance(body, bytes):
        body = json.dumps(body).encode()
    return RawReply(
        request=request,
        url=request.full_url,
        status=200,
        content_type=content_type,
        body=body,
        sha256=hashlib.sha256(body).hexdigest(),
        retrieved_at=retrieved_at,
    )
