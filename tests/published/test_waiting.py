"""Erlang's formulas beside textbook cases.

Emergency room: two patients an hour, three an hour to a doctor (Hillier & Lieberman, Introduction
to Operations Research, chapter on queueing theory). Call centre: the textbook case of a load of 48,
calls of four minutes. The clinics' values were worked out apart from this code, from the sums.
"""

from __future__ import annotations

import math

import pytest

from models.waiting import WaitingError, WaitingLine, erlang_b, erlang_c, fewest_servers


def test_emergency_room_with_one_doctor():
    """L = 2, Lq = 4/3, W = 1 h, Wq = 2/3 h."""
    line = WaitingLine(2.0, 3.0, 1)
    assert line.mean_waiting == pytest.approx(4 / 3)
    assert line.mean_wait == pytest.approx(2 / 3)
    assert line.mean_wait + 1 / line.served == pytest.approx(1.0)
    assert line.mean_waiting + line.load == pytest.approx(2.0)


def test_emergency_room_with_two_doctors():
    """P(wait) = 1/6, L = 3/4, Lq = 1/12, W = 3/8 h, Wq = 1/24 h."""
    line = WaitingLine(2.0, 3.0, 2)
    assert line.wait_probability == pytest.approx(1 / 6)
    assert line.mean_waiting == pytest.approx(1 / 12)
    assert line.mean_waiting + line.load == pytest.approx(3 / 4)
    assert line.mean_wait == pytest.approx(1 / 24)
    assert line.mean_wait + 1 / line.served == pytest.approx(3 / 8)


def test_call_centre():
    """A = 48, c = 55, 240 s a call: C .2387, mean wait 8.18 s, 84.59 % within 15 s."""
    served = 3600 / 240
    line = WaitingLine(48 * served, served, 55)
    assert line.wait_probability == pytest.approx(0.2387, abs=0.5e-4)
    assert 3600 * line.mean_wait == pytest.approx(8.18, abs=0.005)
    assert line.served_within(15 / 3600) == pytest.approx(0.8459, abs=0.5e-4)


@pytest.mark.parametrize(
    ("arrivals", "minutes", "servers", "probability", "wait", "within_ten"),
    [
        (6, 20, 3, 0.4444, 8.89, 0.7304),
        (6, 20, 4, 0.1739, 1.74, 0.936),
        (8, 20, 3, 0.7975, 47.9, 0.325),
        (4, 30, 3, 0.4444, 13.3, None),
        (2, 45, 2, 0.6429, 57.9, None),
    ],
)
def test_open_doors_of_a_clinic(arrivals, minutes, servers, probability, wait, within_ten):
    """Probability of waiting, mean wait in minutes, and share served within ten minutes."""
    line = WaitingLine(arrivals, 60 / minutes, servers)
    assert line.wait_probability == pytest.approx(probability, abs=0.5e-4)
    assert 60 * line.mean_wait == pytest.approx(wait, abs=0.05)
    if within_ten is not None:
        assert line.served_within(10 / 60) == pytest.approx(within_ten, abs=0.5e-3)


def test_loss_formula():
    """A = 10, c = 10: .214582."""
    assert erlang_b(10.0, servers=10) == pytest.approx(0.214582, abs=0.5e-6)
    assert erlang_b(300.0, servers=400) == pytest.approx(0.0, abs=1e-6)  # no overflow


def test_delay_formula_is_its_sum():
    """The sum that textbooks print, term by term."""
    load, servers = 2.5, 4
    last = load**servers / math.factorial(servers) * servers / (servers - load)
    total = sum(load**k / math.factorial(k) for k in range(servers)) + last
    assert erlang_c(load, servers=servers) == pytest.approx(last / total)


def test_fewest_servers():
    """Six an hour, twenty minutes each: three serve .7304 within ten minutes, four .936."""
    at = {"served": 3.0, "within": 10 / 60}
    assert fewest_servers(6.0, probability=0.73, **at).servers == 3
    assert fewest_servers(6.0, probability=0.9, **at).servers == 4
    assert fewest_servers(0.0, probability=0.9, **at).servers == 1


def test_a_load_that_is_not_held_is_refused():
    """Two servers for a load of two: the line grows without end."""
    with pytest.raises(WaitingError, match="at least 3 are needed"):
        WaitingLine(6.0, 3.0, 2)
    with pytest.raises(WaitingError, match="without end"):
        erlang_c(2.0, servers=2)
    with pytest.raises(WaitingError, match="between 0 and 1"):
        fewest_servers(6.0, served=3.0, within=0.1, probability=1.0)
