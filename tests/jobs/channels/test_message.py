"""A delivery ends in time, whatever the other side does."""

from __future__ import annotations

import threading
import time

from jobs.channels import Outcome, within


def test_what_is_in_time_is_handed_on():
    """As it is."""
    assert within(5, lambda: Outcome("told")) == Outcome("told")


def test_what_is_late_is_not_known():
    """The caller goes on."""
    gate = threading.Event()

    def late() -> Outcome:
        gate.wait(5)
        return Outcome("told")

    began = time.monotonic()
    outcome = within(0.1, late)
    assert time.monotonic() - began < 2
    assert outcome == Outcome("not known", "the other side took longer than 0.1 s")
    gate.set()


def test_a_fault_is_an_outcome_and_its_words_are_not_told():
    """They may hold an address."""

    def broken() -> Outcome:
        raise ValueError("Ada Quillfeather <ada@practice.example>")

    assert within(5, broken) == Outcome("failed", "it was stopped by ValueError")
