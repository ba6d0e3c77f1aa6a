"""What is lacking of a source: which days, of which places, are to be asked for."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from forecast.climate import Asked, Subject
from jobs.sources.source import Kind, Place, Source
from models.parameters import load_table

# What a source's values are kept as; of weather ahead the newest run alone is.
SUBJECTS: dict[Kind, Subject] = {
    "weather": "weather",
    "pollen": "pollen",
    "phenology": "flowering",
}
_A_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Wish:
    """Places whose days, both inclusive, are to be asked for."""

    places: tuple[Place, ...]
    first: date
    last: date


def wishes(
    source: Source,
    places: Sequence[Place],
    asked: Asked,
    *,
    today: date,
    newest: Mapping[str, date] | None = None,
    lately: Collection[str] = (),
) -> list[Wish]:
    """Return what is lacking, the oldest days first.

    A place never asked for lacks all days from twenty years ago on, or from the source's first.
    Of one that was, the trailing window is asked again: as long as values are revised, or come
    late; and of weather all days since the newest value (`newest`, by place) up to about a year,
    since a service that stood still for months gives them afterwards. `asked` is what the climate
    store notes; `today` is the UTC day. What keeps no past days is asked for those ahead alone.
    Places that were asked for `lately`, and lack no day, lack nothing: see `asked_lately`.
    """
    horizon = timedelta(days=(source.horizon_days or 1) - 1)
    keeps_no_past = source.horizon_days is not None and source.revised_days == 0
    if source.kind not in SUBJECTS or keeps_no_past:
        left = tuple(place for place in places if place.id not in lately)
        return [Wish(tuple(places), today, today + horizon)] if left else []
    last = today - timedelta(days=math.ceil(source.lag_days))
    if source.horizon_days is not None:
        last = today + horizon
    table = load_table("jobs.sources", "pull.toml")
    years = int(table.number("backfill.years"))
    latest = last - timedelta(days=table.number("backfill.longest_standstill"))
    first = max(date(today.year - years, 1, 1), source.earliest or date.min)
    again = timedelta(
        days=max(source.revised_days, math.ceil(source.lag_days + source.allowance_days))
    )
    groups: dict[tuple[date, date], list[Place]] = {}
    for place in places:
        held = asked.get(place.id)
        value = (newest or {}).get(place.id)
        if held is not None and place.id in lately and held[0] <= first and held[1] >= last:
            continue
        if held is not None and value is not None and source.kind == "weather":
            # as if asked for no further than values came, and a standstill not for ever
            held = (held[0], max(min(held[1], value + again), min(held[1], latest)))
        for span in _lacking(held, first, last, again):
            groups.setdefault(span, []).append(place)
    return [Wish(tuple(some), *span) for span, some in sorted(groups.items())]


def asked_lately(source: Source, asked_at: Mapping[str, datetime], *, now: datetime) -> set[str]:
    """Return the places that were asked for so lately that the source has nothing new of them."""
    since = now - timedelta(hours=source.fresh_hours)
    return {place for place, at in asked_at.items() if since < at <= now}


def _lacking(
    held: tuple[date, date] | None, first: date, last: date, again: timedelta
) -> list[tuple[date, date]]:
    if held is None:
        spans = [(first, last)]
    else:
        window = max(first, min(held[1] + _A_DAY - again, last + _A_DAY - again))
        spans = [(first, held[0] - _A_DAY), (window, last)]
        if window <= held[0]:
            spans = [(min(first, window), last)]
    return [span for span in spans if span[0] <= span[1]]
