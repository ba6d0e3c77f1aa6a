"""Which archived replies go, once they are old, and which stay whatever their age.

A reply is kept for a time (``pull.toml``), since a parser mended later may have to read it again.
Of older ones there stays, of every source:

- what every day asked for can still be read from: for each place, station, file and set of
  variables, going on from the first day, the newest old reply that tells the day, unless a young
  one tells it;
- the newest reply to the very same request, where a service is asked only for what changed since.

So the first pull's twenty years stay, and of the daily trailing windows one in so many. Nothing is
removed of the days that are young, whose folders a pull may be writing to.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from forecast.private_files import write_private
from jobs.sources.raw_archive import INDEX, Indexed, RawArchive, key_of
from models.parameters import load_table

_THINNED = "thinned_until"
_A_DAY = timedelta(days=1)
_Span = tuple[date, date]


@dataclass(frozen=True)
class Thinned:
    """What a thinning took away: lines of indices, bytes."""

    n_replies: int
    n_bytes: int


def to_be_thinned(archive: RawArchive, *, today: date) -> list[str]:
    """Return the sources of which replies are overdue; `today` is the UTC day.

    Not every day: only once a month's worth has become old, since all indices are read for it.
    """
    table = load_table("jobs.sources", "pull.toml")
    waits = timedelta(days=table.number("archive.days") + table.number("archive.at_a_time"))
    overdue = []
    for source_id in archive.source_ids():
        until = _thinned_until(archive, source_id)
        if any(until < day < today - waits for day, _ in archive.days(source_id)):
            overdue.append(source_id)
    return overdue


def thin(archive: RawArchive, source_id: str, *, today: date) -> Thinned:
    """Take away the old replies of a source that need not stay; again changes nothing.

    Killed midway it leaves an archive that can be read; the next thinning finishes.
    """
    days = load_table("jobs.sources", "pull.toml").number("archive.days")
    before = today - timedelta(days=days)
    lines = list(archive.indexed(source_id))
    stay = replies_to_keep(lines, before=before)
    n_replies = n_bytes = 0
    for day, folder in archive.days(source_id):
        if day < before:
            own = [one for one in lines if one.file.parent == folder]
            kept = [one for one in own if (folder, one.row) in stay]
            n_replies += len(own) - len(kept)
            n_bytes += _thin_day(folder, kept)
    _note(archive, source_id, before - _A_DAY)
    return Thinned(n_replies, n_bytes)


def replies_to_keep(lines: Sequence[Indexed], *, before: date) -> set[tuple[Path, int]]:
    """Return which replies of a source stay, by folder and line number.

    `lines` are all there are, in the order in which they came; `before` is the first young day.
    """
    newest = {key_of(one.reply.request): one for one in lines}
    stay = [one for one in lines if one.day >= before]
    stay += [one for one in newest.values() if _is_asked_for_changes(one)]
    kept = {(one.file.parent, one.row) for one in stay}
    told: dict[Hashable, list[_Span]] = defaultdict(list)
    candidates: dict[Hashable, list[tuple[_Span, Indexed]]] = defaultdict(list)
    for one in lines:
        request = one.reply.request
        if request.role != "data" or request.first is None or request.last is None:
            continue
        span = (request.first, request.last)
        for place in request.places:
            stations = tuple(station for of, station in request.stations if of == place.id)
            series = (request.url, place.id, stations, request.variables)
            if (one.file.parent, one.row) in kept:
                told[series].append(span)
            else:
                candidates[series].append((span, one))
    for name, some in candidates.items():
        stay += _telling(some, told[name])
    return {(one.file.parent, one.row) for one in stay}


def _is_asked_for_changes(one: Indexed) -> bool:
    """Whether the newest of its kind is read again, or is all there is of what has no days."""
    request = one.reply.request
    return request.conditional or request.first is None or not request.places


def _telling(candidates: Sequence[tuple[_Span, Indexed]], told: Iterable[_Span]) -> list[Indexed]:
    """Return those candidates, given in the order in which they came, that tell what is not told.

    From the first day on the newest that tells the day is taken, and what it tells is passed over.
    """
    chosen: list[Indexed] = []
    if not candidates:
        return chosen
    spans = _joined(told)
    starts = sorted(first for (first, _), _ in candidates)
    day, end = starts[0], max(last for (_, last), _ in candidates)
    while day <= end:
        past = [last for first, last in spans if first <= day <= last]
        if not past:
            fitting = [one for one in candidates if one[0][0] <= day <= one[0][1]]
            if not fitting:
                day = next(start for start in starts if start > day)
                continue
            (_, last), newest = fitting[-1]
            chosen.append(newest)
            past = [last]
        day = past[0] + _A_DAY
    return chosen


def _joined(spans: Iterable[_Span]) -> list[_Span]:
    """Return spans of days joined where they touch, in order."""
    joined: list[_Span] = []
    for first, last in sorted(spans):
        if joined and first <= joined[-1][1] + _A_DAY:
            joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
        else:
            joined.append((first, last))
    return joined


# ------------------------------------------------------------------------------ files
def _thin_day(folder: Path, kept: Sequence[Indexed]) -> int:
    """Keep some lines of a day's index and their bodies; return the bytes freed."""
    index = folder / INDEX
    before = _size(folder)
    if kept:
        rows = {one.row for one in kept}
        lines = index.read_text(encoding="utf-8", errors="replace").splitlines()
        if len(rows) < len(lines):
            text = "".join(f"{line}\n" for row, line in enumerate(lines, 1) if row in rows)
            write_private(index, text.encode("utf-8"))
    named = {one.file for one in kept}
    for path in folder.iterdir():
        is_of_checks = path.suffix == ".csv"  # what they found, for as long as there is a reply
        if not kept or (path not in named and path != index and not is_of_checks):
            path.unlink(missing_ok=True)
    if not kept:
        folder.rmdir()
        return before
    return before - _size(folder)


def _size(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.iterdir())


def _thinned_until(archive: RawArchive, source_id: str) -> date:
    file = archive.folder / source_id / _THINNED
    try:
        return date.fromisoformat(file.read_text(encoding="utf-8").strip())
    except (FileNotFoundError, ValueError):  # never, or the note is broken: thin again
        return date.min


def _note(archive: RawArchive, source_id: str, until: date) -> None:
    text = f"{until.isoformat()}\n"
    write_private(archive.folder / source_id / _THINNED, text.encode("utf-8"))
