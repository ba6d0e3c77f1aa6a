"""Retry-After and the service's own words."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from jobs.sources.failures import retry_after, words_of

NOW = datetime(2026, 6, 10, 8, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        ("0", 0.0),
        (" 120 ", 120.0),
        ("Wed, 10 Jun 2026 08:02:00 GMT", 120.0),
        ("Wed, 10 Jun 2026 10:02:00 +0200", 120.0),
        ("Wed, 10 Jun 2026 07:00:00 GMT", 0.0),
        ("", None),
        ("-5", None),
        ("soon", None),
        ("1e9", None),
        ("9" * 400, None),
    ],
)
def test_retry_after(header, seconds):
    assert retry_after(header, NOW) == seconds


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b'{"error":true,"reason":"No data is available"}', "No data is available"),
        (
            b'{"header":"not accepted","messages":["FOO is wrong","BAR too"]}',
            "FOO is wrong; BAR too",
        ),
        (
            b'{"errorCode":400,"errors":[{"field":"dataset","message":"Unsupported"}]}',
            "Unsupported",
        ),
        (b"Service\r\n\tunavailable", "Service unavailable"),
        (b"<!DOCTYPE html><html>long page</html>", ""),
        (b"\xef\xbb\xbf  <html>", ""),
        (b"", ""),
        (b"\xff\xfe", "\ufffd\ufffd"),
        (b"abcdefghijklmnopqrstuvwxyz" * 10, "abcdefghijklmnopqrstuvwxyz" + "abcd ..."),
        (b"[" * 100_000, "[" * 30 + " ..."),
    ],
)
def test_words_of_a_refusal(body, words):
    assert words_of(body, 30) == words
