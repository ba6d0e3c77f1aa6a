"""Days and times as exports write them, and the proof of which part is the day and which the month.

``03/04/2024`` is two days. A whole column proves the order where one of its cells can be read in
one way only (``13/04/2024``) and none speaks against it; otherwise a person must answer.

Read are: numbers in any order with ``. / -`` between, the year with four digits or two (1980 to
2079); 20240531 and 31052024; ISO 8601; months by name, English or German, a weekday before them;
serial numbers of spreadsheets, if the layout says so; and a time of day behind any of these.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.visits.exports.layout import DAY_ORDERS, SERIAL
from forecast.visits.rules import earliest_day

DAY_FIRST, MONTH_FIRST, YEAR_FIRST = DAY_ORDERS[:3]
_MONTH_NAMES = (
    ("january", "januar", "jänner", "jan", "jän"),
    ("february", "februar", "feber", "feb"),
    ("march", "märz", "maerz", "mar", "mär", "mrz"),
    ("april", "apr"),
    ("may", "mai"),
    ("june", "juni", "jun"),
    ("july", "juli", "jul"),
    ("august", "aug"),
    ("september", "sept", "sep"),
    ("october", "oktober", "oct", "okt"),
    ("november", "nov"),
    ("december", "dezember", "dec", "dez"),
)
_MONTHS = {name: month for month, names in enumerate(_MONTH_NAMES, start=1) for name in names}
_WEEKDAY = re.compile(
    r"^(mo|tu|we|th|fr|sa|su|di|mi|do|so|mon|tue|wed|thu|fri|sat|sun|"
    r"(mon|tues|wednes|thurs|fri|satur|sun)day|(mon|diens|donners|frei|sams|sonn)tag|mittwoch)"
    r"\b[.,]*\s+",
    re.IGNORECASE,
)
_NUMERIC = re.compile(r"^(\d{1,4})\s*([./-])\s*(\d{1,2})\s*\2\s*(\d{4}|\d{1,2})\.?$")
_NAMED = re.compile(r"^(\d{1,2})[.\s-]*([^\W\d_]+)[.,\s-]*(\d{4}|\d{2})$")
_NAMED_YEAR_FIRST = re.compile(r"^(\d{4})[.\s-]*([^\W\d_]+)[.\s-]*(\d{1,2})$")
_NAMED_MONTH_FIRST = re.compile(r"^([^\W\d_]+)\.?\s*(\d{1,2})(?:st|nd|rd|th)?[.,\s]+(\d{4})$")
_SERIAL_NUMBER = re.compile(r"^[2-7]\d{4}([.,]\d+)?$")  # 1954 to 2118
_CLOCK = re.compile(
    r"^(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,]\d+)?)?\s*([ap])?\.?(?:m\.?|uhr|h)?\s*"
    r"(z|utc|gmt|[+-]\d{2}:?\d{2})?$",
    re.IGNORECASE,
)
# Where year, month and day stand.
_PLACES = {DAY_FIRST: (2, 1, 0), MONTH_FIRST: (2, 0, 1), YEAR_FIRST: (0, 1, 2)}
_LAST_OF_TWO_DIGITS = 99
_EPOCH = date(1970, 1, 1).toordinal()
_SERIAL_ZERO = date(1899, 12, 30).toordinal()  # so that serial numbers count from March 1900 right
_A_DAY, _NOON = 86_400, 12  # seconds, hours
_NO_DAY, _NO_OFFSET = np.iinfo(np.int64).min, -(10**6)


@dataclass(frozen=True)
class _Day:
    """A day as written: read already, or three numbers whose order must be known first."""

    known: int | None = None  # days since 1970
    parts: tuple[int, int, int] | None = None
    serial: float | None = None

    def ordered(self, order: str) -> tuple[int, int, int] | None:
        """Return year, month and day of a day whose order must be known; None for any other."""
        if self.parts is None or order not in _PLACES:
            return None
        year, month, day = (self.parts[place] for place in _PLACES[order])
        return (
            None
            if order == YEAR_FIRST and self.parts[2] > _LAST_OF_TWO_DIGITS
            else (year, month, day)
        )

    def read(self, order: str) -> int | None:
        """Return the days since 1970, None where this order makes it no day of the calendar."""
        ordered = self.ordered(order)
        return self.known if ordered is None else _number(*ordered)

    def in_range(self, order: str) -> bool:
        """Say whether month and day are in range in this order.

        A 31 February speaks for the order it is written in, though it is no day.
        """
        ordered = self.ordered(order)
        if ordered is None:
            return False
        _, month, day = ordered
        return 1 <= month <= 12 and 1 <= day <= 31

    def is_ahead(self, order: str, last: int) -> bool:
        """Say whether two digits taken for the year make it a day after `last`."""
        ordered, number = self.ordered(order), self.read(order)
        is_short = ordered is not None and ordered[0] <= _LAST_OF_TWO_DIGITS
        return is_short and number is not None and number > last


def _number(year: int, month: int, day: int) -> int | None:
    """Return the days since 1970; a year of two digits lies in the hundred years from 1980."""
    if year <= _LAST_OF_TWO_DIGITS:
        start = earliest_day().year
        year += start - start % 100
        year += 100 if year < start else 0
    try:
        return date(year, month, day).toordinal() - _EPOCH
    except ValueError:
        return None


@dataclass(frozen=True)
class OrderProof:
    """What a column tells about the order of day and month.

    Attributes
    ----------
    possible
        The orders in which every cell could be read; all where none is in question.
    in_question
        Whether the possible orders read any cell differently, or none is possible.
    example
        A cell that is in question.
    misfits
        For each order the number of distinct cells that it cannot read.
    """

    possible: tuple[str, ...]
    in_question: bool
    example: str
    misfits: dict[str, int]

    @property
    def proved(self) -> str:
        """The order that alone is possible; empty where none is, or several are."""
        return self.possible[0] if len(self.possible) == 1 else ""


@dataclass(frozen=True)
class WrittenDays:
    """The distinct cells of a column, taken apart.

    Attributes
    ----------
    texts
        The cells.
    day_of
        Which of `days` each cell names.
    seconds, offset
        Time of day (0 where none is written, below 0 where it is no time) and minutes ahead of
        UTC, where written.
    """

    texts: Sequence[str]
    days: Sequence[_Day]
    day_of: NDArray[np.int64]
    seconds: NDArray[np.int64]
    offset: NDArray[np.int64]

    @cached_property
    def has_zone(self) -> NDArray[np.bool_]:
        """Which cells say how far their time is from UTC."""
        return np.not_equal(self.offset, _NO_OFFSET)

    @cached_property
    def is_serial(self) -> NDArray[np.bool_]:
        """Which cells look like serial numbers of a spreadsheet."""
        return np.array([day.serial is not None for day in self.days], dtype=bool)[self.day_of]

    @cached_property
    def is_written_as_day(self) -> NDArray[np.bool_]:
        """Which cells are written as days are, in whatever order, a 31 February too."""
        kinds = [day.known is not None or any(map(day.in_range, _PLACES)) for day in self.days]
        return np.array(kinds, dtype=bool)[self.day_of]

    def proof(self, today: date) -> OrderProof:
        """Judge which orders are possible; `today` bounds years of two digits only."""
        last = today.toordinal() - _EPOCH
        asked = [(at, day) for at, day in enumerate(self.days) if day.parts is not None]
        orders = [DAY_FIRST, MONTH_FIRST]
        if any(max(day.parts or ()) <= _LAST_OF_TWO_DIGITS for _, day in asked):
            orders.append(YEAR_FIRST)
        misfits = {order: sum(not day.in_range(order) for _, day in asked) for order in orders}
        possible = tuple(order for order in orders if not misfits[order])
        ahead = {order: any(day.is_ahead(order, last) for _, day in asked) for order in possible}
        if len(possible) > 1 and not all(ahead.values()):
            possible = tuple(order for order in possible if not ahead[order])
        for at, day in asked:
            if len({day.read(order) for order in possible}) != 1:
                example = self.texts[int(np.flatnonzero(self.day_of == at)[0])]
                return OrderProof(possible, len(possible) != 1, example, misfits)
        if not possible:
            example = self.texts[int(np.flatnonzero(self.day_of == asked[0][0])[0])]
            return OrderProof(possible, True, example, misfits)
        return OrderProof(possible, False, "", misfits)

    def read(self, order: str, *, zone: str = "") -> NDArray[np.datetime64]:
        """Return the moments [s], not-a-time where a cell is none in this order.

        With `zone`, a time that says how far from UTC it is, is told in that zone's own time.
        """
        numbers = np.array([_or_none(day.read(order)) for day in self.days], dtype=np.int64)
        seconds = self.seconds
        if order == SERIAL:
            serial = np.array([day.serial or 0.0 for day in self.days])
            numbers = np.where(serial > 0, np.floor(serial) + _SERIAL_ZERO - _EPOCH, numbers)
            numbers = numbers.astype(np.int64)
            part_of_day = np.rint((serial % 1) * _A_DAY).astype(np.int64)
            seconds = np.where(self.is_serial, part_of_day[self.day_of], seconds)
        day = numbers[self.day_of]
        is_bad = (day == _NO_DAY) | (seconds < 0)
        total = np.where(is_bad, 0, day) * _A_DAY + seconds
        moments = total.astype("datetime64[s]")
        moments[is_bad] = np.datetime64("NaT")
        return _told_in(zone, moments, self.offset, self.has_zone) if zone else moments


def _or_none(number: int | None) -> int:
    return _NO_DAY if number is None else number


def _told_in(
    zone: str,
    moments: NDArray[np.datetime64],
    offset: NDArray[np.int64],
    has_zone: NDArray[np.bool_],
) -> NDArray[np.datetime64]:
    if not has_zone.any():
        return moments
    utc = moments[has_zone] - offset[has_zone] * np.timedelta64(60, "s")
    local = pd.DatetimeIndex(utc).tz_localize("UTC").tz_convert(zone).tz_localize(None)
    told = moments.copy()
    told[has_zone] = local.to_numpy().astype("datetime64[s]")
    return told


def take_apart(texts: Sequence[str]) -> WrittenDays:
    """Take cells apart; a day and a time are looked at once, however many cells hold them."""
    n = len(texts)
    numbers: dict[str, int] = {}
    days: list[_Day] = []
    clocks: dict[str, tuple[int, int]] = {"": (0, _NO_OFFSET)}
    day_of, seconds = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    offset = np.full(n, _NO_OFFSET, dtype=np.int64)
    for at, text in enumerate(texts):
        colon = text.find(":")
        cut = max(text.rfind(" ", 0, colon - 1), text.rfind("T", 0, colon)) if colon > 0 else -1
        day, clock = (text, "") if cut < 0 else (text[:cut], text[cut + 1 :])
        number = numbers.get(day)
        if number is None:
            number = numbers[day] = len(days)
            days.append(_day(day))
        day_of[at] = number
        if clock:
            told = clocks.get(clock)
            if told is None:
                told = clocks[clock] = _clock(clock)
            seconds[at], offset[at] = told
    return WrittenDays(texts, days, day_of, seconds, offset)


def day_and_clock(text: str) -> tuple[str, int | None]:
    """Return the day of a cell as it is written ("" where none is), and its time of day [s].

    None where no time is written, or one that is none.
    """
    cut, clock = _cut(text)
    seconds = _clock(text[clock:])[0] if clock < len(text) else -1
    return text[:cut].strip(), None if seconds < 0 else seconds


def _cut(text: str) -> tuple[int, int]:
    """Return where the day of a cell ends and its time of day begins; no time: both at the end."""
    colon = text.find(":")
    if colon < 0:
        return len(text), len(text)
    cut = max(text.rfind(" ", 0, max(colon - 1, 0)), text.rfind("T", 0, colon))
    return max(cut, 0), cut + 1


def _clock(text: str) -> tuple[int, int]:
    match = _CLOCK.match(text.strip())
    if match is None:
        return -1, _NO_OFFSET
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    if match[4]:
        hour = hour % _NOON + (_NOON if match[4].lower() == "p" else 0)
    if hour > 23 or minute > 59 or second > 60:
        return -1, _NO_OFFSET
    return (hour * 60 + minute) * 60 + second, _offset(match[5] or "")


def _offset(text: str) -> int:
    if not text:
        return _NO_OFFSET
    if text[0] not in "+-":
        return 0
    digits = text[1:].replace(":", "")
    minutes = int(digits[:2]) * 60 + int(digits[2:])
    return -minutes if text[0] == "-" else minutes


def _day(text: str) -> _Day:
    text = _WEEKDAY.sub("", text.strip().rstrip(","), count=1)
    for pattern, reader in _READERS:
        match = pattern.match(text)
        if match is not None:
            return reader(match)
    return _Day()


def _numeric(match: re.Match[str]) -> _Day:
    first, third = match[1], match[4]
    parts = (int(first), int(match[3]), int(third))
    if not any(parts):
        return _Day()  # 00.00.0000, as some systems write for nothing
    if len(first) == 4:
        return _Day(_number(*parts)) if len(third) <= 2 else _Day()
    return _Day(parts=parts) if len(first) <= 2 else _Day()


def _compact(match: re.Match[str]) -> _Day:
    """Read eight digits: the year is where 19 or 20 stands, which no month or day can be."""
    text = match[0]
    if text[4:6] in ("19", "20"):
        return _Day(parts=(int(text[:2]), int(text[2:4]), int(text[4:])))
    return _Day(_number(int(text[:4]), int(text[4:6]), int(text[6:])))


def _named(year: str, name: str, day: str) -> _Day:
    month = _MONTHS.get(name.casefold())
    return _Day() if month is None else _Day(_number(int(year), month, int(day)))


_READERS: tuple[tuple[re.Pattern[str], Callable[[re.Match[str]], _Day]], ...] = (
    (_NUMERIC, _numeric),
    (re.compile(r"^\d{8}$"), _compact),
    (_NAMED, lambda match: _named(match[3], match[2], match[1])),
    (_NAMED_YEAR_FIRST, lambda match: _named(match[1], match[2], match[3])),
    (_NAMED_MONTH_FIRST, lambda match: _named(match[3], match[1], match[2])),
    (_SERIAL_NUMBER, lambda match: _Day(serial=float(match[0].replace(",", ".")))),
)
