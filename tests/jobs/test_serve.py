"""Serve: children start, are told to end, and none dies unseen."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from forecast.practice import create_practice, template
from jobs import disks
from jobs.serve import ServeError, children, is_marked_ready, mark_ready, serve, told_when_ready

WAITS = "import signal, sys; signal.signal(signal.SIGTERM, lambda *_: sys.exit({code}));"
WAITS += "open(sys.argv[1], 'w').close(); signal.pause()"
DEAF = "import signal, sys, time; signal.signal(signal.SIGTERM, signal.SIG_IGN);"
DEAF += "open(sys.argv[1], 'w').close(); time.sleep(60)"
ENDS = "import sys, time; open(sys.argv[1], 'w').close(); time.sleep(0.3); sys.exit({code})"
PARENT = textwrap.dedent("""
    import sys
    from functools import partial
    from pathlib import Path
    import jobs.serve
    from jobs.logs import logs
    from jobs.serve import Child, supervise
    from models.parameters import load_table, parse_table
    words = Path(jobs.serve.__file__).with_name("serve.toml").read_text()
    quick = parse_table(words.replace("value = 9,", "value = 1,"), "serve.toml")
    jobs.serve.load_table = lambda package, name: quick
    folder = Path(sys.argv[1])
    def is_ready(mark, process):
        return mark.exists()
    wanted = []
    for n, code in enumerate(sys.argv[2:]):
        mark = folder / f"mark{n}"
        wanted.append(Child(f"child{n}", (sys.executable, "-c", code, str(mark)),
                            partial(is_ready, mark)))
    with logs():
        sys.exit(supervise(wanted, ready=lambda words: print("ready", words, flush=True)))
""")


@pytest.fixture
def parent(tmp_path):
    """Give a function that starts a process which supervises children of these words."""
    started: list[subprocess.Popen[str]] = []

    def start(*codes: str, environment: dict[str, str] | None = None) -> subprocess.Popen[str]:
        words = [sys.executable, "-c", PARENT, str(tmp_path), *codes]
        one = subprocess.Popen(
            words,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=os.environ | (environment or {}),
        )
        started.append(one)
        return one

    yield start
    for one in started:
        if one.poll() is None:
            one.kill()
        one.communicate()


def processes(line: str) -> list[int]:
    """Return the numbers of the children, as the line of readiness tells them."""
    return [int(part.rpartition(" ")[2]) for part in line.strip().split(";")]


def is_gone(process: int) -> bool:
    for _ in range(100):
        try:
            state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
        except FileNotFoundError:
            return True
        if state == "Z":
            return True
        time.sleep(0.05)
    return False


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_is_handed_on_and_all_end_well(parent, number):
    """Exit code 0, and nobody is left."""
    one = parent(WAITS.format(code=0), WAITS.format(code=0))
    line = one.stdout.readline()
    assert line.startswith("ready child0: process ")
    one.send_signal(number)
    assert one.wait(20) == 0
    assert all(is_gone(process) for process in processes(line))


@pytest.mark.parametrize(("code", "expected"), [(0, 1), (3, 3)])
def test_where_one_ends_by_itself_all_end_and_not_well(parent, code, expected):
    """Also one that ended with 0: nobody had told it to."""
    one = parent(ENDS.format(code=code), WAITS.format(code=0))
    line = one.stdout.readline()
    assert one.wait(20) == expected
    assert all(is_gone(process) for process in processes(line))
    assert '"message": "ended by itself"' in one.stderr.read()


def test_one_that_does_not_end_is_killed(parent):
    """After its time; exit code 1."""
    one = parent(DEAF, WAITS.format(code=0))
    line = one.stdout.readline()
    began = time.monotonic()
    one.terminate()
    assert one.wait(20) == 1
    assert time.monotonic() - began >= 1
    assert all(is_gone(process) for process in processes(line))
    assert '"message": "killed, as it did not end in time"' in one.stderr.read()


def test_one_that_ends_badly_when_told_to_is_seen(parent):
    """Its code is handed on."""
    one = parent(WAITS.format(code=5))
    one.stdout.readline()
    one.terminate()
    assert one.wait(20) == 5


@pytest.mark.skipif(sys.platform != "linux", reason="Linux alone ends children with their parent")
def test_where_the_parent_is_killed_no_child_is_left(parent):
    """A clock without its parent would keep the lock of the next."""
    one = parent(WAITS.format(code=0), WAITS.format(code=0))
    line = one.stdout.readline()
    one.kill()
    one.wait(20)
    assert all(is_gone(process) for process in processes(line))


def test_systemd_is_told(parent, tmp_path):
    """When all are ready, and when they end."""
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(address)
        systemd.settimeout(20)
        one = parent(WAITS.format(code=0), environment={"NOTIFY_SOCKET": address})
        assert systemd.recv(100) == b"READY=1"
        one.terminate()
        assert systemd.recv(100) == b"STOPPING=1"
    assert one.wait(20) == 0


def test_a_network_disk_is_refused(tmp_path, monkeypatch):
    """Before anything is started."""
    practice = create_practice(tmp_path / "practice", template())
    mounts = tmp_path / "mounts"
    mounts.write_text(f"36 24 0:31 / {tmp_path} rw - nfs4 server:/x rw\n")
    monkeypatch.setattr(disks, "MOUNTS", mounts)
    with pytest.raises(ServeError, match=r"on a network disk \(nfs4\)"):
        serve(practice.folder, ready=lambda words: None)


def test_the_clock_and_the_pages_are_children(tmp_path):
    """They are told which practice, whatever folder they run in."""
    practice = create_practice(tmp_path / "practice", template())
    both = children(practice.folder)
    assert [one.name for one in both] == ["clock", "pages"]
    for one in both:
        assert one.command[-3:] == (one.name, "--practice", str(practice.folder))
        assert not one.is_ready(os.getpid())


def test_a_child_is_ready_once_it_says_so_itself(tmp_path):
    """A mark that an earlier process left does not count."""
    mark_ready(tmp_path, "pages", told="http://127.0.0.1:8400")
    assert is_marked_ready(tmp_path, "pages", os.getpid())
    assert not is_marked_ready(tmp_path, "pages", os.getpid() + 1)
    assert not is_marked_ready(tmp_path, "clock", os.getpid())
    assert told_when_ready(tmp_path, "pages") == "http://127.0.0.1:8400"


@pytest.mark.long
def test_the_command_runs_the_clock_and_a_second_one_is_refused(tmp_path):
    """Ready, seen by the doctor, refused twice, ended by SIGTERM with 0."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        pages = f"\n[pages]\nport = {free.getsockname()[1]}\n"
    settings = template().replace('"grass"', '"grasses"') + pages
    practice = create_practice(tmp_path / "practice", settings)
    words = [sys.executable, "-c", "from jobs.cli import program; program()"]
    served = [*words, "serve", "--practice", str(practice.folder)]
    first = subprocess.Popen(served, stderr=subprocess.PIPE, text=True)
    try:
        lines = iter(first.stderr.readline, "")
        assert any(line.startswith("forepaw serve: ready (clock: process ") for line in lines)
        doctor = [*words, "doctor", "--practice", str(practice.folder)]
        assert "it runs since" in subprocess.run(doctor, capture_output=True, text=True).stdout
        second = subprocess.run(served, capture_output=True, text=True, timeout=120)
        assert second.returncode == 2
        why = ("a clock of this practice runs already", "the pages were to listen on 127.0.0.1")
        assert any(words in second.stderr for words in why)  # whichever comes first
        first.terminate()
        assert first.wait(30) == 0
    finally:
        first.kill()
        first.communicate()
