"""A stretch of a table's records on their way in."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Fault:
    """A record with a stray quotation mark: its number, the cell it stands in, whether it fits."""

    number: int
    found: str
    kept: bool


@dataclass(frozen=True)
class Block:
    """Consecutive records: the first one's number, their cells, the faults, the size read.

    A blank record has no cells, and so has one whose fault makes it unreadable. `texts` are the
    records as they are written; empty for a workbook.
    """

    first: int
    cells: list[list[str]]
    faults: list[Fault]
    size: int
    texts: list[str] = field(default_factory=list)
