"""Old replies go, and every day asked for can still be read from one that stays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from hashlib import sha256

import pytest

from jobs.sources import archive_thinning
from jobs.sources.archive_thinning import thin, to_be_thinned
from jobs.sources.raw_archive import INDEX, RawArchive
from jobs.sources.source import Place, RawReply, Request
from models.parameters import load_table

START = date(2024, 1, 1)
NORTH, SOUTH = Place("north", 47.0, 8.5, 400.0), Place("south", 46.0, 9.0, 300.0)
SOURCE = "nasa_power"


def after(n: int) -> date:
    """Return the day n days after the first pull."""
    return START + timedelta(days=n)


def asked(
    archive: RawArchive,
    n: int,
    first: date,
    last: date,
    *,
    places: Sequence[Place] = (NORTH,),
    body: bytes = b"",
    **more: object,
) -> RawReply:
    """Keep a reply of n days after the first pull."""
    request = Request(
        source_id=SOURCE,
        method="GET",
        url="http://data.example/v1",
        params=(("start", f"{first}"), ("end", f"{last}")),
        places=tuple(places),
        first=first,
        last=last,
    )
    body = body or f"{n} {first} {last}".encode()
    kept = RawReply(
        request=replace(request, **more),
        url=request.full_url,
        status=200,
        content_type="application/json",
        body=body,
        sha256=sha256(body).hexdigest(),
        retrieved_at=datetime.combine(after(n), time(3), UTC),
    )
    archive.keep(kept)
    return kept


def left(archive: RawArchive) -> list[int]:
    """Return how many days after the first pull each reply came that is still there."""
    findings: list = []
    found = [
        (r.retrieved_at.date() - START).days for r in archive.replay(SOURCE, findings=findings)
    ]
    assert findings == []
    return found


def first_pull(archive: RawArchive, **more: object) -> None:
    """Ask for twenty years in two requests."""
    asked(archive, 0, date(2004, 1, 1), date(2013, 12, 31), **more)
    asked(archive, 0, date(2014, 1, 1), date(2023, 12, 31), **more)


@pytest.mark.long
def test_the_first_years_and_one_in_so_many_of_the_daily_windows_stay(archive):
    """By hand: 500 days on, what came before day 100 is old, and young ones tell day 91 and on.

    Windows of ten days end on the day they are asked. Day 0 is told last by the one of day 9, day
    10 by that of day 19, and so on; day 90 by that of day 99.
    """
    first_pull(archive)
    for n in range(1, 501):
        asked(archive, n, after(n - 9), after(n))
    assert to_be_thinned(archive, today=after(500)) == [SOURCE]
    done = thin(archive, SOURCE, today=after(500))
    assert left(archive) == [0, 0, *range(9, 100, 10), *range(100, 501)]
    assert done.n_replies == 99 - 10
    assert done.n_bytes > 0
    assert len(archive.days(SOURCE)) == 1 + 10 + 401  # no empty folder is left
    assert to_be_thinned(archive, today=after(500)) == []
    assert thin(archive, SOURCE, today=after(500)).n_replies == 0


def test_nothing_is_thinned_before_a_month_of_it_is_old(archive):
    """400 days and 30: the reply of day 0 is overdue on day 431 and not the day before."""
    table = load_table("jobs.sources", "pull.toml")
    assert (table.number("archive.days"), table.number("archive.at_a_time")) == (400, 30)
    asked(archive, 0, after(-9), after(0))
    assert to_be_thinned(archive, today=after(430)) == []
    assert to_be_thinned(archive, today=after(431)) == [SOURCE]


def test_a_source_that_gave_its_last_reply_years_ago_keeps_what_tells_its_days(archive):
    """The newest data rest on it."""
    first_pull(archive)
    for n in (1, 2):
        asked(archive, n, after(n - 9), after(n))
    thin(archive, SOURCE, today=after(3000))
    assert left(archive) == [0, 0, 2]


def test_what_tells_of_one_place_does_not_stand_for_another(archive):
    """Nor one station, file or set of variables for another."""
    window = (after(1), after(9))
    asked(archive, 10, *window, places=(SOUTH,))
    asked(archive, 11, *window, url="http://data.example/other.csv")
    asked(archive, 12, *window, stations=(("north", "ABC"),))
    asked(archive, 13, *window, variables=("tas",))
    asked(archive, 14, *window)
    asked(archive, 15, *window)
    thin(archive, SOURCE, today=after(3000))
    assert left(archive) == [10, 11, 12, 13, 15]


def test_the_reply_that_the_next_request_is_compared_with_stays(archive):
    """A listing is read again where the service says that it did not change; others go."""
    for n in (0, 1):
        asked(archive, n, after(0), after(9), role="listing", conditional=True, params=())
        asked(archive, n, after(0), after(9), role="listing", params=(("n", str(n)),))
    thin(archive, SOURCE, today=after(3000))
    assert left(archive) == [1]
    fresh = RawArchive(archive.folder)
    request = next(fresh.replay(SOURCE)).request
    assert request.conditional
    assert fresh.newest(request) is not None


def test_a_body_that_two_replies_share_stays_for_the_one_that_does(archive):
    """Both came on one day with the same bytes; what checks found of the day stays with them."""
    asked(archive, 0, after(1), after(2), body=b"same")
    asked(archive, 0, after(1), after(9), body=b"same")
    ((_, folder),) = archive.days(SOURCE)
    (folder / "findings-1.csv").write_text("x")
    (folder / "killed.gz.1.part").write_text("x")
    thin(archive, SOURCE, today=after(3000))
    (stays,) = archive.replay(SOURCE)
    assert (stays.body, stays.request.last) == (b"same", after(9))
    assert sorted(path.name for path in folder.iterdir()) == sorted(
        [f"{stays.sha256}.gz", "findings-1.csv", INDEX]
    )


def test_killed_midway_it_leaves_what_can_be_read_and_the_next_one_finishes(
    archive, monkeypatch: pytest.MonkeyPatch
):
    """After each of the days that are thinned."""
    first_pull(archive)
    for n in range(1, 31):
        asked(archive, n, after(n - 9), after(n))
    thin_day = archive_thinning._thin_day
    for day in range(0, 31, 3):
        n_done = 0

        def dies(*args: object, dies_at: int = day) -> int:
            nonlocal n_done
            if n_done == dies_at:
                raise KeyboardInterrupt
            n_done += 1
            return thin_day(*args)

        monkeypatch.setattr(archive_thinning, "_thin_day", dies)
        with pytest.raises(KeyboardInterrupt):
            thin(archive, SOURCE, today=after(3000))
        assert set(left(archive)) >= {0, 9, 19, 29, 30}
        assert to_be_thinned(archive, today=after(3000)) == [SOURCE]
        monkeypatch.setattr(archive_thinning, "_thin_day", thin_day)
        if day > 3:
            break
    thin(archive, SOURCE, today=after(3000))
    assert left(archive) == [0, 0, 9, 19, 29, 30]
    assert to_be_thinned(archive, today=after(3000)) == []


def test_what_is_no_folder_of_a_day_is_left_alone(archive):
    """Somebody put it there."""
    asked(archive, 0, after(0), after(1))
    other = archive.folder / SOURCE / "keep"
    other.mkdir()
    thin(archive, SOURCE, today=after(3000))
    assert other.exists()
    assert to_be_thinned(archive, today=after(3000)) == []
