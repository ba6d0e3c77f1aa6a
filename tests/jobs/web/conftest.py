"""A small practice with its pages served, by a thread; people of each role; and a browser."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import uvicorn

from forecast.accounts.links import invite, use_link
from forecast.accounts.roles import Role
from forecast.pages.addresses import addresses
from forecast.pages.figure_pages import hold_script
from forecast.pages.opened import OpenedPractice
from forecast.practice import create_practice
from forecast.settings_pages import PagesSection
from jobs.clock import tick
from jobs.imports import import_file
from jobs.issue import issue_today
from jobs.opening import open_all
from jobs.outputs import write_outputs
from jobs.registry import JOBS
from jobs.web.access_log import AccessLog
from jobs.web.application import application
from jobs.web.server import configuration, listen

if TYPE_CHECKING:
    from playwright.sync_api import Browser

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
ISSUED_ON = date(2022, 6, 27)  # the day after the small world's last, a Monday
PASSWORD = "four quiet otters yawn"
KINDS = ("weather", "flowering", "branches", "dogs", "visits", "therapies", "facts", "scores")


def email(role: Role) -> str:
    """Return the mail address of the person of a role."""
    return f"{role.value}@practice.example"


@dataclass(frozen=True)
class Site:
    """A practice whose pages are served."""

    folder: Path
    base: str
    moment: datetime

    def tick(self) -> None:
        """Let the clock look once; it does what was asked for, and nothing by itself."""
        jobs = [replace(job, applies=lambda practice: False) for job in JOBS]
        tick(self.folder, self.moment + timedelta(minutes=1), jobs=jobs)


@pytest.fixture(scope="session")
def issued_practice(
    exports: Callable[[str], Path],
    small_settings: str,
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Path, datetime]:
    """Give a practice with data, a forecast with figures, and people; with its moment.

    Its folder is not to be changed.
    """
    moment = datetime.fromisoformat(f"{ISSUED_ON}T00:30:00+00:00")
    folder = tmp_path_factory.mktemp("issued") / "practice"
    practice = create_practice(folder, small_settings, now=moment - timedelta(minutes=20))
    for kind in KINDS:
        name = "weather.nc" if kind == "weather" else f"{kind}.csv"
        import_file(practice, kind, exports("2999-01-01") / name)
    records, climate = open_all(practice)
    made = issue_today(practice, records, climate, origin=ISSUED_ON, say=lambda _: None)
    write_outputs(practice, made.issue)
    for role in Role:
        link = invite(
            records, name=f"Some {role.value}", email=email(role), role=role, by=None, now=moment
        )
        use_link(records, link.token, PASSWORD, today=ISSUED_ON, now=moment)
    records.close()
    return folder, moment


@contextmanager
def served(folder: Path, moment: datetime) -> Iterator[Site]:
    """Serve a practice's pages as `forepaw pages` does, by a thread."""
    opened = OpenedPractice(folder, now=lambda: moment)
    listener = listen(PagesSection(), 0)
    known_as = addresses(PagesSection(), port=listener.getsockname()[1])
    server = uvicorn.Server(configuration(AccessLog(application(opened, known_as)), PagesSection()))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    try:
        give_up = time.monotonic() + 20
        while not server.started and time.monotonic() < give_up:
            time.sleep(0.02)
        assert server.started
        yield Site(folder, known_as.public, moment)
    finally:
        server.should_exit = True
        thread.join(20)
        listener.close()
        opened.close()


@pytest.fixture(scope="module")
def site(
    issued_practice: tuple[Path, datetime], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Site]:
    """Serve a copy of the practice to the tests of a file."""
    folder = tmp_path_factory.mktemp("served") / "practice"
    shutil.copytree(issued_practice[0], folder)
    with served(folder, issued_practice[1]) as one:
        yield one


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Start Debian's Chromium; skip where there is none.

    For a file's tests alone: while it is there, nobody else can run an event loop in this thread.
    """
    if CHROMIUM is None:
        pytest.skip("no chromium is installed (Debian: apt-get install chromium); .ci/run does so")
    from playwright.sync_api import sync_playwright

    hold_script()  # as the service does at its start; who comes meanwhile is told 503
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()
