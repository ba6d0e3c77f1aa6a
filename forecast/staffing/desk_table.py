"""What the desk's file may hold: its tables with their columns, and what came of reading them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from forecast.csv_files import CsvTable
from forecast.records.desk import DeskHours, DeskNumber, StockCount
from forecast.records.staff import Terms
from forecast.records.worked_shifts import WorkedShift
from models.parameters import ParameterTable, load_table

Columns = tuple[str, ...]
# Of each table the columns it must have, then those it may have; `house` is there to be read.
TABLES: Mapping[str, tuple[Columns, Columns]] = {
    "staff": (
        ("person", "skills", "branch", "hours_a_week"),
        ("name", "also_at", "overtime_hours", "days", "shift_hours", "from", "until"),
    ),
    "leave": (("person", "first", "last"), ()),
    "hours": (("branch", "opening"), ("from",)),
    "minutes": (("kind", "role", "minutes"), ("branch", "from", "house")),
    "prices": (("price", "amount"), ("from", "house", "currency")),
    "stock": (
        ("item", "branch", "on_hand", "counted", "pack_size", "lead_days"),
        ("expires", "pack_price", "currency"),
    ),
    "shifts": (("person", "day", "from", "to"), ("branch", "role")),
}
OPENING_LIKE = "mon-fri 8:00-18:00 sat 9:00-12:00"


@dataclass(frozen=True)
class DeskWords:
    """What a desk's file may name: branches, kinds of visits, prices, items of stock, people."""

    branches: Collection[str]
    kinds: Collection[str]
    prices: Collection[str]
    items: Collection[str]
    people: Collection[str]
    open_branches: Collection[str] = ()  # whose hours are on record already
    currency: str = ""  # that of the practice; "" where it names none
    terms: Mapping[str, Sequence[Terms]] = field(default_factory=dict)  # of people, by number


@dataclass
class DeskTable(CsvTable):
    """What a file of the desk says: rows of all its tables, and each as the records keep it.

    `leave` gives the spans of each person, none of which overlap; `unclear` are branches whose
    hours could not be read, `left_out` people whose rows could not. Of `shifts` the person is the
    practice's own number still.
    """

    names: dict[str, str] = field(default_factory=dict)
    terms: dict[str, list[Terms]] = field(default_factory=dict)
    leave: dict[str, list[tuple[date, date]]] = field(default_factory=dict)
    hours: list[DeskHours] = field(default_factory=list)
    numbers: list[DeskNumber] = field(default_factory=list)
    stock: list[StockCount] = field(default_factory=list)
    shifts: list[WorkedShift] = field(default_factory=list)
    unclear: set[str] = field(default_factory=set)
    left_out: set[str] = field(default_factory=set)


def limits() -> ParameterTable:
    """Return the limits of what a file of the desk may say."""
    return load_table("forecast.staffing", "desk.toml")
