"""The demo as a service on this machine alone: its pages and its clock, at the demo's day.

Both are processes of their own, as in `forepaw serve`; a forecast that is asked for on a page is
made while pages go on being shown.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial
from ipaddress import ip_address
from pathlib import Path

from forecast.practice import Practice, PracticeError, open_practice
from forecast.records import open_records
from jobs.clock_lock import running_clock
from jobs.demo.entering import entering_pages
from jobs.demo.errors import DemoError
from jobs.demo.moment import Day, day_of_demo, day_of_words
from jobs.demo.people import people_of_demo
from jobs.demo.run import TO_COME
from jobs.serve import PAGES, Child, is_marked_ready, mark_ready, supervise, told_when_ready

_CLOCK = "clock"
_WATCH = "watch"  # looks at the machine too, which stands at another day
_LOOK_EVERY = 2.0  # s; whoever tries the demo watches
_CHILD = """
import sys
from jobs.ending import ended_at_once
with ended_at_once():
    from jobs.demo.serving import be
    sys.exit(be(*sys.argv[1:]))
"""


def is_served_as_it_is(folder: Path) -> bool:
    """Whether a folder holds a whole demo; else it has to be made first."""
    try:
        practice = open_practice(folder)
    except PracticeError:
        return False
    if not (practice.settings.practice.invented and (folder / TO_COME).is_dir()):
        return False
    records = open_records(practice)
    try:
        return day_of_demo(practice, records) is not None
    finally:
        records.close()


def serve_demo(folder: Path, *, port: int, ready: Callable[[str], None]) -> int:
    """Serve a demo until told to end; return the exit code.

    Parameters
    ----------
    port
        0 for any that is free.
    ready
        Hears the address that a browser is to be given, in a sentence.

    Raises
    ------
    ForepawError
        If the folder holds no demo, or its settings bind it to more than this machine.
    """
    practice = open_practice(folder)
    _check_is_for_here(practice)
    records = open_records(practice)
    try:
        day = day_of_demo(practice, records)
        if day is None:
            raise DemoError(f"{folder} holds no demo that is whole; make it anew: forepaw demo")
        people_of_demo(open_practice(folder, now=day.now()), records)
    finally:
        records.close()

    def clock_runs(process: int) -> bool:
        running = running_clock(practice)
        return running is not None and running.process == process

    def command(name: str) -> tuple[str, ...]:
        words = (name, str(practice.folder), str(port), *day.words())
        return (sys.executable, "-c", _CHILD, *words)

    return supervise(
        [
            Child(_CLOCK, command(_CLOCK), clock_runs),
            Child(PAGES, command(PAGES), partial(is_marked_ready, practice.folder, PAGES)),
        ],
        ready=lambda _: ready(told_when_ready(practice.folder, PAGES)),
    )


def be(name: str, folder: str, port: str, *day: str) -> int:
    """Be one of the demo's processes until told to end; return the exit code."""
    from jobs.logs import logs

    run = {_CLOCK: _be_clock, PAGES: _be_pages}[name]
    with logs(level="warning"):
        return run(Path(folder), int(port), day_of_words(*day))


def _be_clock(folder: Path, port: int, day: Day) -> int:
    from jobs.clock_process import run_clock
    from jobs.registry import JOBS

    jobs = [job for job in JOBS if job.name != _WATCH]
    return run_clock(folder, ready=lambda _: None, jobs=jobs, now=day.now, every=_LOOK_EVERY)


def _be_pages(folder: Path, port: int, day: Day) -> int:
    from jobs.web import Listening, run_web

    practice = open_practice(folder, now=day.now())
    _check_is_for_here(practice)
    records = open_records(practice)
    people = people_of_demo(practice, records)
    records.close()

    def ready(listening: Listening) -> None:
        mark_ready(practice.folder, PAGES, told=listening.public_address)

    return run_web(folder, ready=ready, port=port, now=day.now, change_pages=entering_pages(people))


def _check_is_for_here(practice: Practice) -> None:
    section = practice.settings.pages
    if not ip_address(section.address).is_loopback or section.public_address is not None:
        raise DemoError(
            "the demo was to be served beyond this machine, as [pages] in its practice.toml says; "
            "anybody may be anybody in it, so it is for this machine alone: take that section out"
        )
    if section.trusted_proxies:
        raise DemoError(
            "the demo was to be served behind a proxy, as [pages] in its practice.toml says; it "
            "is for this machine alone: take that section out"
        )
