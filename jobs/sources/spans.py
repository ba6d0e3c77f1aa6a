"""Spans of days: what is asked for at one time, and what a reply was asked for."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd

from jobs.sources.source import RawReply, Source


def spans(source: Source, first: date, last: date) -> list[tuple[date, date]]:
    """Cut days (both inclusive) into spans that the source allows, none before its first day."""
    if source.earliest is not None:
        first = max(first, source.earliest)
    most = source.limits.days_per_request or (last - first).days + 1
    found = []
    while first <= last:
        end = min(last, first + timedelta(days=most - 1))
        found.append((first, end))
        first = end + timedelta(days=1)
    return found


def days_asked(reply: RawReply) -> pd.DatetimeIndex:
    """Return every day that a reply was asked for."""
    first, last = reply.request.first, reply.request.last
    if first is None or last is None:
        raise ValueError(f"a request to {reply.request.source_id} names no days")
    return pd.date_range(first, last, freq="D")
