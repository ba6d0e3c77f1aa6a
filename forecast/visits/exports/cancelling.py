"""Which lines of an export still count, after voiding, reopening and taking back."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecast.visits.exports.line_arrays import (
    Codes,
    LineArrays,
    Mask,
    dense,
    distinct,
    export_rules,
)

_FINEST = 10_000  # quantities and amounts are compared to the ten-thousandth


@dataclass(frozen=True)
class Standing:
    """Which lines count, and why the others do not.

    `unmatched` are lines with a negative quantity or amount that take nothing back: discounts,
    most of them.
    """

    counts: Mask
    superseded: Mask
    voided: Mask
    cancelled: Mask
    unmatched: Mask


def standing(lines: LineArrays) -> Standing:
    """Say which lines count in the end.

    An invoice entered again on a later day stands in place of what it was before if it is said to
    be reopened, or repeats most of the items; other lines of a later day are added. A voided line
    falls away, and with it the same line of an earlier day; a voided line without an item voids
    what was entered before it. A negative line takes an equal one back: of the same visit, or else
    the last one of the same patient and branch.
    """
    superseded = _superseded(lines)
    voided = (lines.is_voided | _voided_as_a_whole(lines)) & ~superseded
    is_open = ~(superseded | voided)
    negative = is_open & ((lines.quantity < 0) | (lines.amount < 0))
    givers = is_open & ~negative
    cancelled = _taken_back_by_voids(lines, givers, superseded)
    matched = _taken_back_by_negatives(lines, negative, givers, cancelled)
    counts = givers & ~cancelled
    return Standing(counts, superseded, voided, cancelled | matched, negative & ~matched)


def _superseded(lines: LineArrays) -> Mask:
    """Return the lines in whose place a later entry of the same visit stands."""
    edition = dense(lines.visit, 2 * lines.entered_day + lines.is_reopened)
    n_editions, n_items = int(edition.max(initial=-1)) + 1, int(lines.item.max(initial=0)) + 1
    visit_of = np.zeros(n_editions, dtype=np.int64)
    visit_of[edition] = lines.visit
    follows = np.zeros(n_editions, dtype=bool)
    follows[1:] = visit_of[1:] == visit_of[:-1]
    if not follows.any():
        return np.zeros(len(edition), dtype=bool)
    reopened = np.zeros(n_editions, dtype=bool)
    reopened[edition[lines.is_reopened]] = True
    pairs = distinct(edition * n_items + lines.item)
    of_edition = pairs // n_items
    size = np.bincount(of_edition, minlength=n_editions)
    again = np.isin(pairs - n_items, pairs, assume_unique=True)
    repeated = np.bincount(of_edition[again], minlength=n_editions)
    share = export_rules().number("reopened.share_repeated")
    takes_over = follows.copy()
    takes_over[1:] &= (reopened[1:] & ~reopened[:-1]) | (repeated[1:] > share * size[:-1])
    first_standing = np.zeros(int(visit_of.max()) + 1, dtype=np.int64)
    np.maximum.at(first_standing, visit_of[takes_over], np.flatnonzero(takes_over))
    return edition < first_standing[lines.visit]


def _voided_as_a_whole(lines: LineArrays) -> Mask:
    """Return the lines that a later voided line without an item voids."""
    event = lines.is_voided & (lines.item == lines.no_item)
    voided = np.zeros(len(event), dtype=bool)
    for key, these in (
        (lines.visit, event & (lines.patient != lines.nobody)),
        (lines.invoice, event & (lines.patient == lines.nobody)),
    ):
        if these.any():
            n = int(key.max()) + 1
            stamp, rank = np.full(n, np.iinfo(np.int64).min), np.full(n, -1)
            np.maximum.at(stamp, key[these], lines.entered[these])
            np.maximum.at(rank, key[these], lines.when[these])
            before = lines.entered < stamp[key]
            without_item = (lines.item == lines.no_item) & (lines.when <= rank[key])
            voided |= before | without_item
    return voided


def _taken_back_by_voids(lines: LineArrays, givers: Mask, superseded: Mask) -> Mask:
    """Return the lines that a voided line of a later day repeats."""
    cancelled = np.zeros(len(givers), dtype=bool)
    takers = lines.is_voided & ~superseded & (lines.item != lines.no_item)
    if takers.any():
        day = lines.entered_day
        _match(
            np.flatnonzero(takers),
            np.flatnonzero(givers),
            dense(lines.visit, lines.item),
            lines.when,
            cancelled,
            fits=lambda taker, giver: bool(day[giver] < day[taker]),
        )
    return cancelled


def _taken_back_by_negatives(
    lines: LineArrays, negative: Mask, givers: Mask, cancelled: Mask
) -> Mask:
    """Mark the lines that negative ones take back; return the negative lines that took one."""
    matched = np.zeros(len(negative), dtype=bool)
    if not negative.any():
        return matched
    by_quantity = lines.quantity < 0
    for amount, takers in (
        (lines.quantity, negative & by_quantity),
        (lines.amount, negative & ~by_quantity),
    ):
        measure = np.rint(np.nan_to_num(np.abs(amount)) * _FINEST).astype(np.int64)
        for place, fits in (
            ((lines.visit,), _always),
            ((lines.branch, lines.patient), lambda t, g: bool(lines.day[g] <= lines.day[t])),
        ):
            left = np.flatnonzero(takers & ~matched)
            open_givers = np.flatnonzero(givers & ~cancelled & (amount > 0))
            key = dense(*place, lines.item, measure)
            matched[_match(left, open_givers, key, lines.in_time, cancelled, fits=fits)] = True
    return matched


def _always(taker: int, giver: int) -> bool:
    return True


def _match(
    takers: Codes | NDArray[np.intp],
    givers: Codes | NDArray[np.intp],
    key: Codes,
    when: Codes,
    cancelled: Mask,
    *,
    fits: Callable[[int, int], bool],
) -> list[int]:
    """Let each taker cancel the last giver of its key that fits; return the takers that did."""
    if not len(takers):
        return []
    near = givers[np.isin(key[givers], key[takers])]
    waiting: dict[int, list[int]] = defaultdict(list)
    for giver in near[np.argsort(when[near])].tolist():
        waiting[int(key[giver])].append(giver)
    done = []
    for taker in takers[np.argsort(when[takers])].tolist():
        candidates = waiting.get(int(key[taker]), [])
        for place in range(len(candidates) - 1, -1, -1):
            if fits(taker, candidates[place]):
                cancelled[candidates.pop(place)] = True
                done.append(taker)
                break
    return done
