r"""What a limited capacity leaves over, carried from week to week.

Each week :math:`t` the visits of kind :math:`k` that came, :math:`a`, join those that wait,
:math:`q`. They take :math:`m_{kr}` minutes of each role :math:`r`; a visit is seen when all roles
have time for it, so the scarcest decides what share of all is seen:

.. math::

    f_t = \min\Bigl(1, \min_r
        \frac{c_{rt} + o_{rt} - d_{rt}}{\sum_k (q_{k,t-1} + a_{kt}) m_{kr}} \Bigr)

with the capacity :math:`c`, overtime :math:`o` that is used where capacity does not reach, and
minutes :math:`d` that come first and cannot wait (the telephone, missed appointments). Of what is
not seen, a share :math:`g` goes elsewhere and the rest waits for the next week.

Validity: all kinds are seen alike; within a week no order is kept. Visits are counted in fractions,
since a share of a mean week is meant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.errors import ForepawError

_Array = NDArray[np.float64]


class BacklogError(ForepawError):
    """Visits, minutes or capacities that do not fit together."""


@dataclass(frozen=True)
class Backlog:
    """What became of the visits.

    Attributes
    ----------
    seen, turned_away, waiting
        Shape ``(kind, ..., week)`` [visits]; `waiting` at the end of each week.
    need, overtime
        Shape ``(role, ..., week)`` [min]: what was wanted, waiting visits included, and the
        overtime used.
    """

    seen: _Array
    turned_away: _Array
    waiting: _Array
    need: _Array
    overtime: _Array


def carry_over(
    came: _Array,
    minutes: _Array,
    capacity: _Array,
    *,
    overtime: _Array | float = 0.0,
    first: _Array | float = 0.0,
    leaving: float,
    waiting: _Array | float = 0.0,
) -> Backlog:
    """Let visits meet a capacity, week by week.

    Parameters
    ----------
    came
        Visits that come, shape ``(kind, ..., week)``, such as ``(kind, draw, branch, week)``.
    minutes
        Of each, shape ``(kind, role, ...)`` broadcast over the middle dims.
    capacity
        Minutes, shape ``(role, ..., week)``, broadcast over the middle dims.
    overtime
        Minutes on top that can be used, as `capacity`.
    first
        Minutes of each role that come before all visits, as `capacity`.
    leaving
        Share of the visits not seen in a week that go elsewhere [1].
    waiting
        Visits that wait at the start, shape ``(kind, ...)``.

    Raises
    ------
    BacklogError
        If the share is none, or a count, time or capacity is below zero.
    """
    if not 0.0 <= leaving <= 1.0:
        raise BacklogError(f"a share of visits that go elsewhere was expected, got {leaving:g}")
    for name, values in (
        ("visits", came),
        ("minutes", minutes),
        ("capacity", capacity),
        ("overtime", overtime),
    ):
        if np.any(np.asarray(values) < 0.0):
            raise BacklogError(
                f"{name} below zero: {float(np.min(values)):g}; allowed is 0 or more"
            )
    roles, weeks = minutes.shape[1], came.shape[-1]
    shape = (roles, *came.shape[1:])
    held = np.broadcast_to(capacity, shape)
    more = np.broadcast_to(overtime, shape)
    ahead = np.broadcast_to(first, shape)
    waits = np.broadcast_to(np.asarray(waiting, dtype=float), came.shape[:-1]).copy()
    seen, gone, left = (np.empty_like(came, dtype=float) for _ in range(3))
    need, used = np.empty(shape), np.empty(shape)
    for week in range(weeks):
        wanting = waits + came[..., week]
        wanted = np.einsum(
            "k...,kr...->r...",
            wanting,
            np.broadcast_to(minutes, (len(came), roles, *came.shape[1:-1])),
        )
        need[..., week] = wanted + ahead[..., week]
        room = np.maximum(held[..., week] + more[..., week] - ahead[..., week], 0.0)
        share = np.where(wanted > room, room / np.where(wanted > 0, wanted, 1.0), 1.0).min(axis=0)
        seen[..., week] = share * wanting
        unseen = wanting - seen[..., week]
        gone[..., week] = leaving * unseen
        waits = unseen - gone[..., week]
        left[..., week] = waits
        worked = share * wanted + ahead[..., week]
        used[..., week] = np.clip(worked - held[..., week], 0.0, more[..., week])
    return Backlog(seen, gone, left, need, used)
