"""A process ends with its own status and its last words, and is not taken apart."""

from __future__ import annotations

import subprocess
import sys

import pytest

# A thread of compiled code that reaches for the interpreter while it is taken apart is stood in for
# by an object that tells when that happens.
WORK = """
import atexit, os, sys, threading, time
class TakenApart:
    def __del__(self, tell=os.write):
        tell(2, b"taken apart")
taken_apart = TakenApart()
from jobs.ending import ended_at_once
with ended_at_once():
    atexit.register(lambda: print("closed at exit"))
    threading.Thread(target=lambda: (time.sleep(0.1), print("a thread that is waited for"))).start()
    {work}
"""


def run(work: str) -> subprocess.CompletedProcess[str]:
    words = [sys.executable, "-c", WORK.format(work=work)]
    return subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)


@pytest.mark.parametrize(
    ("work", "status", "says"),
    [
        ("print('done')", 0, ""),
        ("sys.exit(2)", 2, ""),
        ("sys.exit()", 0, ""),
        ("sys.exit('a sentence')", 1, "a sentence"),
        ("raise ValueError('wrong')", 1, "ValueError: wrong"),
    ],
)
def test_status_and_last_words_are_kept_and_nothing_is_taken_apart(work, status, says):
    """Python's own statuses; without `ended_at_once` the object would tell of its end."""
    ended = run(work)
    assert ended.returncode == status
    assert says in ended.stderr
    assert "taken apart" not in ended.stderr
    assert "a thread that is waited for" in ended.stdout
    assert ended.stdout.endswith("closed at exit\n")


def test_words_that_nobody_reads_are_told_by_the_status():
    """As Python itself does: 120 where standard output cannot be written to its end."""
    lost = "print('x'); sys.stdout.flush = lambda: (_ for _ in ()).throw(BrokenPipeError)"
    assert run(lost).returncode == 120


def test_without_it_the_object_does_tell():
    """Else the test above could not fail."""
    plain = WORK.replace("with ended_at_once():", "if True:")
    words = [sys.executable, "-c", plain.format(work="pass")]
    ended = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)
    assert "taken apart" in ended.stderr
