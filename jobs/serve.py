"""Serve: the processes of a practice under one roof, for systemd or a container.

Each is a child process. A signal to end is handed on; if one child ends by itself the others are
ended too, so that whoever started `forepaw serve` sees it and starts it anew.
"""

from __future__ import annotations

import ctypes
import logging
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import FrameType

from forecast.practice import open_practice
from jobs.clock_lock import LOCKS_FOLDER, running_clock
from jobs.disks import network_disk
from jobs.logs import logger, tell
from models.errors import ForepawError
from models.parameters import load_table

log = logger("serve")
_RUN = "from jobs.cli import program; program()"  # the console script, wherever it was installed
PAGES = "pages"
_PR_SET_PDEATHSIG = 1
_KILLED = 1  # exit code where a child had to be killed, or ended though nobody asked it to


class ServeError(ForepawError):
    """The practice cannot be served as it stands."""


@dataclass(frozen=True)
class Child:
    """A process to be run; `is_ready` is asked with its number until it says yes."""

    name: str
    command: tuple[str, ...]
    is_ready: Callable[[int], bool]


def children(folder: Path) -> list[Child]:
    """Return the processes of a practice, in the order in which they start."""
    practice = open_practice(folder)

    def clock_runs(process: int) -> bool:
        running = running_clock(practice)
        return running is not None and running.process == process

    def command(name: str) -> tuple[str, ...]:
        return (sys.executable, "-c", _RUN, name, "--practice", str(practice.folder))

    pages_are_served = partial(is_marked_ready, practice.folder, PAGES)
    return [
        Child("clock", command("clock"), clock_runs),
        Child(PAGES, command(PAGES), pages_are_served),
    ]


def mark_ready(folder: Path, name: str, *, told: str = "") -> None:
    """Let a child say that it is at work, to whoever supervises it, and something beside."""
    path = _ready_file(folder, name)
    path.parent.mkdir(mode=0o700, exist_ok=True)
    path.write_text(f"{os.getpid()}\n{told}", encoding="utf-8")


def is_marked_ready(folder: Path, name: str, process: int) -> bool:
    """Whether the child of that number has said that it is at work."""
    return _mark(folder, name)[0] == str(process)


def told_when_ready(folder: Path, name: str) -> str:
    """Return what a child said beside, when it last was ready."""
    return _mark(folder, name)[1]


def _mark(folder: Path, name: str) -> tuple[str, str]:
    try:
        process, _, told = _ready_file(folder, name).read_text(encoding="utf-8").partition("\n")
    except FileNotFoundError:
        return "", ""
    return process, told


def _ready_file(folder: Path, name: str) -> Path:
    return folder / LOCKS_FOLDER / f"{name}-ready.lock"


def serve(folder: Path, *, ready: Callable[[str], None]) -> int:
    """Run the processes of a practice until told to end; return the exit code.

    0 where they ended as they were told to, else not 0.

    Parameters
    ----------
    ready
        Hears, in a sentence, once every child is at work.

    Raises
    ------
    ForepawError
        If the folder is no practice, or on a network disk.
    """
    refusal = network_disk(folder.absolute())
    if refusal is not None:
        raise ServeError(f"{refusal}; move the practice folder to a disk of this machine")
    return supervise(children(folder), ready=ready)


def supervise(wanted: Sequence[Child], *, ready: Callable[[str], None]) -> int:
    """Start children and stay until all have ended."""
    running: dict[str, subprocess.Popen[bytes]] = {}
    told_to_end: list[int] = []

    def end(number: int, frame: FrameType | None) -> None:
        told_to_end.append(number)

    before = {number: signal.signal(number, end) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        for child in wanted:
            running[child.name] = _start(child)
            tell(log, "started", child=child.name, process=running[child.name].pid)
        if _wait_until_ready(wanted, running, told_to_end):
            ready("; ".join(f"{name}: process {one.pid}" for name, one in running.items()))
            _notify("READY=1")
        _wait_until_over(running, told_to_end)
        return _end_all(running, asked=bool(told_to_end))
    finally:
        for process in running.values():
            if process.poll() is None:
                process.kill()
                process.wait()
        for number, handler in before.items():
            signal.signal(number, handler)


def _start(child: Child) -> subprocess.Popen[bytes]:
    return subprocess.Popen(  # noqa: S603  its words are ours
        child.command,
        stdin=subprocess.DEVNULL,
        process_group=0,  # a Ctrl-C reaches it through us alone, once
        preexec_fn=_end_with_parent,
    )


def _end_with_parent() -> None:
    """Let Linux end this process when its parent is killed: a clock alone would keep its lock."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


def _wait_until_ready(
    wanted: Sequence[Child],
    running: dict[str, subprocess.Popen[bytes]],
    told_to_end: Sequence[int],
) -> bool:
    """Wait until every child is at work; whether all are, none ended and nobody ended us."""
    table = load_table("jobs", "serve.toml")
    give_up = time.monotonic() + table.number("serve.ready_within")
    for child in wanted:
        while not child.is_ready(running[child.name].pid):
            if told_to_end or _ended(running):
                return False
            if time.monotonic() > give_up:
                tell(log, "not ready in time", level=logging.WARNING, child=child.name)
                return False
            time.sleep(table.number("serve.look_every"))
    return True


def _wait_until_over(
    running: dict[str, subprocess.Popen[bytes]], told_to_end: Sequence[int]
) -> None:
    pause = load_table("jobs", "serve.toml").number("serve.look_every")
    while not told_to_end and not _ended(running):
        time.sleep(pause)


def _ended(running: dict[str, subprocess.Popen[bytes]]) -> list[str]:
    return [name for name, process in running.items() if process.poll() is not None]


def _end_all(running: dict[str, subprocess.Popen[bytes]], *, asked: bool) -> int:
    """End what still runs, kill what does not; return the exit code."""
    _notify("STOPPING=1")
    table = load_table("jobs", "serve.toml")
    give_up = time.monotonic() + table.number("serve.end_within")
    codes = []
    for name in _ended(running):  # before anybody told it to
        code = running[name].returncode
        level = logging.INFO if asked and code == 0 else logging.ERROR
        tell(log, "ended by itself", level=level, child=name, code=code)
        codes.append(code if asked else code or _KILLED)
    for process in running.values():
        if process.poll() is None:
            process.terminate()
    for name, process in running.items():
        try:
            codes.append(process.wait(max(0.0, give_up - time.monotonic())))
        except subprocess.TimeoutExpired:
            process.kill()
            codes.append(process.wait())
            tell(log, "killed, as it did not end in time", level=logging.ERROR, child=name)
    bad = [code for code in codes if code != 0]
    tell(log, "ended", asked=asked)
    # a process that a signal ended has a negative code, which is no exit code
    return next((code for code in bad if code > 0), _KILLED if bad else 0)


def _notify(state: str) -> None:
    """Tell systemd how it stands, where it asked for that (sd_notify)."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):  # a name of Linux's own, without a file
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        try:
            out.sendto(state.encode(), address)
        except OSError as error:
            tell(log, "systemd could not be told", level=logging.WARNING, error=error.strerror)
