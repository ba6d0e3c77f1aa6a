"""The door for exports: copies of one export give the same visits; refusals are one sentence."""

from __future__ import annotations

import csv
import io
import random
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.sheets import SheetError
from forecast.visits.exports.export import read_export
from forecast.visits.exports.gathering import combine
from forecast.visits.exports.layout import LayoutError, parse_layout

BRANCHES = {"high": "High Street", "low": "Low Road"}
TODAY = date(2024, 5, 31)
HEADINGS = ("Invoice", "Date", "Entered", "Site", "Patient", "Vet", "Item", "Qty", "Notes", "State")
LAYOUT = parse_layout(
    """
day_order = "day month year"
decimal = ","
[columns]
visit = "Invoice"
date = "Date"
entered = "Entered"
branch = "Site"
patient = "Patient"
vet = "Vet"
item = "Item"
quantity = "Qty"
note = "Notes"
status = "State"
[branches]
"High St" = "high"
"Low Rd" = "low"
[statuses]
"VOID" = "voided"
"REOPENED" = "reopened"
[merged]
"P-4" = "P-1"
""",
    "layouts/copies.toml",
)
ITEMS = ("Skin consult", "Ear drops 10 ml", "Gebühr, klein", 'Collar 12" soft', "Vaccination")
NOTES = ("", "itchy since May; ears, feet", "no itch\nseen with the owner", 'says "Juckreiz", müde')
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252")


@dataclass(frozen=True)
class Copy:
    """How a copy of an export is written."""

    encoding: str
    delimiter: str
    line_end: str
    quoting: int
    shuffle: int

    def content(self, lines: list[tuple[str, ...]]) -> bytes:
        """Return the lines as the bytes of a file."""
        rows = list(lines)
        random.Random(self.shuffle).shuffle(rows)
        out = io.StringIO(newline="")
        writer = csv.writer(
            out, delimiter=self.delimiter, lineterminator=self.line_end, quoting=self.quoting
        )
        writer.writerow(HEADINGS)
        writer.writerows(rows)
        return out.getvalue().encode(self.encoding)


copies = st.builds(
    Copy,
    encoding=st.sampled_from(ENCODINGS),
    delimiter=st.sampled_from([",", ";", "\t", "|"]),
    line_end=st.sampled_from(["\n", "\r\n"]),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    shuffle=st.integers(0, 10_000),
)


class Desk:
    """Where lines are entered; no two in the same second."""

    def __init__(self, invoice: str, site: str, day: date, clock: datetime) -> None:
        self.invoice, self.site, self.day, self.clock = invoice, site, day, clock
        self.lines: list[tuple[str, ...]] = []

    def enter(self, dog: int, item: str, note: str = "", *, state: str = "", days: int = 0) -> None:
        """Enter a line, some days later if need be."""
        self.clock += timedelta(seconds=1)
        stamp = f"{self.clock + timedelta(days=days):%d.%m.%Y %H:%M:%S}"
        vet = f"vet {dog % 3}"  # the same for P-1 and P-4, which are one dog
        quantity = "-1,5" if state == "TAKEN BACK" else "1,5"
        state = "" if state == "TAKEN BACK" else state
        day = f"{self.day:%d.%m.%Y}"
        self.lines.append(
            (self.invoice, day, stamp, self.site, f"P-{dog}", vet, item, quantity, note, state)
        )


@st.composite
def invoices(draw: st.DrawFn) -> list[list[tuple[str, ...]]]:
    """Give invoices as lists of lines: voided, reopened, taken back, for several dogs."""
    found = []
    clock = datetime(2024, 3, 13, 8)
    for number in range(draw(st.integers(1, 6))):
        site = draw(st.sampled_from(["High St", "Low Rd"]))
        day = date(2024, 3, 13) + timedelta(days=draw(st.integers(0, 2)))
        desk = Desk(f"R{number}", site, day, clock)
        for dog in sorted(draw(st.sets(st.integers(1, 4), min_size=1, max_size=3))):
            items = draw(st.lists(st.sampled_from(ITEMS), min_size=1, max_size=3, unique=True))
            note = draw(st.sampled_from(NOTES))
            for item in items:
                desk.enter(dog, item, note)
            fate = draw(st.sampled_from(["stands", "stands", "taken back", "void", "reopened"]))
            if fate == "taken back":
                desk.enter(dog, items[0], state="TAKEN BACK")
            elif fate != "stands":
                for item in items:
                    desk.enter(dog, item, state="VOID", days=1)
            if fate == "reopened":
                desk.enter(dog, items[-1], note, state="REOPENED", days=2)
        clock = desk.clock
        found.append(desk.lines)
    return found


def visits_of(content: bytes) -> pd.DataFrame:
    found = read_export(content, "copy.csv", layouts=[LAYOUT], branches=BRANCHES, today=TODAY)
    assert not [f for f in found.findings if f.severity == "error"]
    return found.visits


def comparable(visits: pd.DataFrame) -> pd.DataFrame:
    """Return visits without what depends on where they were put together."""
    notes = visits["note"].map(lambda note: tuple(sorted(note.split("\n"))))
    return visits.assign(note=notes).drop(columns="unmapped")


@settings(max_examples=20, deadline=None)
@given(invoices(), copies, copies)
def test_a_permuted_and_re_encoded_copy_gives_the_same_visits(world, one, other):
    """Order of lines, encoding, separator, line ends and quoting say nothing of what happened."""
    lines = [line for invoice in world for line in invoice]
    first, second = (_visits_or_none(copy.content(lines)) for copy in (one, other))
    assert (first is None) == (second is None)
    if first is not None:
        pd.testing.assert_frame_equal(first, second)


@settings(max_examples=20, deadline=None)
@given(invoices(), copies, copies, st.integers(0, 63))
def test_an_export_in_two_files_gives_the_same_visits_as_in_one(world, one, other, cut):
    """However the invoices are dealt out; an invoice itself is not torn apart."""
    whole = _visits_or_none(one.content([line for invoice in world for line in invoice]))
    parts = []
    for side, copy in ((0, one), (1, other)):
        dealt = [invoice for n, invoice in enumerate(world) if (cut >> n) & 1 == side]
        if dealt:
            parts.append(_visits_or_none(copy.content([line for inv in dealt for line in inv])))
    parts = [part for part in parts if part is not None and len(part)]
    if whole is None or not len(whole):
        assert not parts
    else:
        pd.testing.assert_frame_equal(comparable(combine(parts)), comparable(whole))


def _visits_or_none(content: bytes) -> pd.DataFrame | None:
    visits = visits_of(content)
    return visits if len(visits) else None


def small(*rows: str, headings: str = "Invoice;Date;Site;Patient") -> bytes:
    return "\n".join([headings, *rows]).encode()


SMALL = parse_layout(
    '[columns]\nvisit = "Invoice"\ndate = "Date"\nbranch = "Site"\npatient = "Patient"\n'
    '[patients]\ntest = ["TEST"]\n',
    "layouts/small.toml",
)


def read_small(content: bytes, **how):
    return read_export(content, "s.csv", layouts=[SMALL], branches=BRANCHES, today=TODAY, **how)


def test_the_progress_runs_from_0_to_1_and_never_back():
    """A bar can be drawn from it."""
    told = []
    read_small(small("1;13.05.2024;high;P-1"), progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert all(0 < share <= 1 for share in told)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (small("1;31.02.2024;high;P-1"), "none of its 1 rows could be kept; the first fault: "),
        (small("1;13.05.2024;high;TEST"), "all are of test patients"),
        (small(), "holds headings and no rows"),
    ],
)
def test_a_file_of_which_nothing_is_kept_is_refused(content, words):
    """The sentence says why, and what stood there first."""
    with pytest.raises(SheetError, match=words):
        read_small(content)


def test_a_file_that_no_layout_fits_is_refused_with_the_column_it_lacks():
    """The nearest layout is named, and the command that proposes one."""
    content = small("1;13.05.2024;high;P-1", headings="Invoice;Date;Location;Patient")
    with pytest.raises(LayoutError) as refused:
        read_small(content)
    assert "layouts/small.toml would, but for the column 'Site'" in str(refused.value)
    assert "forepaw import look" in str(refused.value)


def test_headings_are_found_whatever_their_case_and_order():
    """A layout names columns, not their places."""
    content = small("P-1;13.05.2024;x;1;high", headings="PATIENT;date;Other;invoice;SITE")
    visits = read_small(content).visits
    assert visits[["reference", "branch"]].values.tolist() == [["1/P-1/2024", "high"]]
