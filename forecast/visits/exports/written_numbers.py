"""Amounts and quantities as exports write them, and the proof of which mark is the decimal one.

``1,234`` is one and a bit, or more than a thousand. ``12,50`` and ``1.234,5`` can be read in one
way only and prove the mark for their column.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecast.visits.exports.layout import DECIMALS

# Currency signs and letters before or behind a number, spaces and apostrophes inside it.
_AROUND = re.compile(r"^[^\d.,+()-]*|[^\d.,)-]*$")
_INSIDE = re.compile(r"(?<=\d)[\s'\u2019\u00a0\u202f](?=\d{3})")
_SIGNED = re.compile(r"^(\()?([+-])?[^\d.,+()-]*([\d.,]+)[^\d.,+()-]*([+-])?(\))?$")
_GROUPED = {
    mark: re.compile(
        rf"^(?:\d+|[1-9]\d{{0,2}}(?:{re.escape(other)}\d{{3}})+)(?:{re.escape(mark)}\d+)?$"
    )
    for mark, other in zip(DECIMALS, reversed(DECIMALS), strict=True)
}
_BARE = {mark: re.compile(rf"^{re.escape(mark)}\d+$") for mark in DECIMALS}


@dataclass(frozen=True)
class WrittenNumbers:
    """The distinct cells of a column, read with either mark; not-a-number where it cannot be.

    Attributes
    ----------
    texts
        The cells.
    with_mark
        For each decimal mark the numbers.
    """

    texts: Sequence[str]
    with_mark: dict[str, NDArray[np.float64]]

    @property
    def proved(self) -> str:
        """The mark that some cell needs while none needs the other; empty if there is no proof."""
        needed = [mark for mark in DECIMALS if self._only(mark).any()]
        return needed[0] if len(needed) == 1 else ""

    @property
    def in_question(self) -> str:
        """A cell that the two marks read differently; empty where there is none."""
        comma, point = (self.with_mark[mark] for mark in DECIMALS)
        differ = np.isfinite(comma) & np.isfinite(point) & (comma != point)
        if not differ.any() and self._only(",").any() and self._only(".").any():
            differ = self._only(",")  # each mark is needed somewhere: neither may be assumed
        return self.texts[int(np.argmax(differ))] if differ.any() else ""

    def _only(self, mark: str) -> NDArray[np.bool_]:
        other = next(m for m in DECIMALS if m != mark)
        return np.isfinite(self.with_mark[mark]) & ~np.isfinite(self.with_mark[other])


def read_numbers(texts: Sequence[str]) -> WrittenNumbers:
    """Read cells with either mark."""
    pairs = [_both(text) for text in texts]
    values = np.array(pairs, dtype=float).reshape(-1, len(DECIMALS))
    return WrittenNumbers(texts, {mark: values[:, n] for n, mark in enumerate(DECIMALS)})


def _both(text: str) -> tuple[float, ...]:
    match = _SIGNED.match(_INSIDE.sub("", _AROUND.sub("", text)))
    if match is None:
        return (np.nan,) * len(DECIMALS)
    opened, before, digits, behind, closed = match.groups()
    if bool(opened) != bool(closed) or (before and behind):
        return (np.nan,) * len(DECIMALS)
    sign = -1.0 if opened or "-" in (before, behind) else 1.0
    return tuple(sign * _with(mark, digits) for mark in DECIMALS)


def _with(mark: str, digits: str) -> float:
    if not (_GROUPED[mark].match(digits) or _BARE[mark].match(digits)):
        return np.nan
    other = next(m for m in DECIMALS if m != mark)
    return float(digits.replace(other, "").replace(mark, "."))
