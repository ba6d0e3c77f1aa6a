"""The records of a delimited text: its separator, quoted line breaks, stray quotation marks."""

from __future__ import annotations

import csv
import re
from collections import Counter, deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

from forecast.sheets.block import Block, Fault

DELIMITERS = (";", "\t", "|", ",")  # the comma last: it stands inside numbers and notes too
SAMPLE_LINES = 500
_LINES_A_BLOCK = 20_000
_LINES_A_RECORD = 100  # a note with more line breaks than this is a quotation mark left open
_TELLING_CELLS = 4  # so many cells in a line are no accident of somebody's prose
_DECLARED = re.compile(r'^"?sep=(.)"?\s*$', re.IGNORECASE)
_QUOTED = re.compile(r'"[^"]*"')


@dataclass(frozen=True)
class Delimiter:
    """The separator of a text and the number of cells most of its lines have."""

    mark: str
    n_cells: int


def find_delimiter(lines: Iterable[str]) -> Delimiter:
    """Return the separator that cuts most lines of a sample into the same number of cells."""
    sample = [line for line in lines if line.strip()]
    declared = _DECLARED.match(sample[0]) if sample else None
    bare = [_QUOTED.sub("", line) for line in _whole_lines(sample)]
    best, best_score = Delimiter(",", 1), 0
    for mark in (declared.group(1),) if declared else DELIMITERS:
        counts = Counter(line.count(mark) for line in bare)
        counts.pop(0, None)
        for n_marks, n_lines in counts.items():
            if n_lines * n_marks > best_score:
                best, best_score = Delimiter(mark, n_marks + 1), n_lines * n_marks
    return best


def _whole_lines(lines: list[str]) -> Iterator[str]:
    """Yield lines joined where a quotation mark is left open, unless nothing near closes it."""
    at = 0
    while at < len(lines):
        end, n_marks = at + 1, lines[at].count('"')
        while n_marks % 2 and end < min(len(lines), at + _LINES_A_RECORD):
            n_marks += lines[end].count('"')
            end += 1
        end = at + 1 if n_marks % 2 else end
        yield "".join(lines[at:end])
        at = end


def read_blocks(lines: Iterator[str], delimiter: Delimiter) -> Iterator[Block]:
    """Yield the records of a text in blocks; a stray quotation mark costs its own line at most.

    A record's number counts records, blank ones too, as the rows of a spreadsheet do.
    """
    number = 1
    while block := list(islice(lines, _LINES_A_BLOCK)):
        faults: list[Fault] = []
        found = _sound(block, delimiter)
        if found is None:
            found = [], []
            _careful(deque(block), lines, delimiter, (number, found[0], faults, found[1]))
        cells, texts = found
        yield Block(number, cells, faults, sum(map(len, block)), texts)
        number += len(cells)


def _sound(lines: list[str], delimiter: Delimiter) -> tuple[list[list[str]], list[str]] | None:
    """Return the records of lines without any stray mark, and their texts; None for other lines.

    A record over several lines is sound if it has the usual number of cells and none of its lines
    is a record by itself: two stray marks far apart would swallow what stands between them.
    """
    reader = csv.reader(lines, delimiter=delimiter.mark, strict=True)
    try:
        found = [(cells, reader.line_num) for cells in reader]
    except csv.Error:
        return None
    records = [cells for cells, _ in found]
    if len(records) == len(lines):
        return records, lines
    texts, start = [], 0
    for cells, end in found:
        if end - start > 1 and not _is_one_note(cells, lines[start + 1 : end], delimiter):
            return None
        texts.append(lines[start] if end - start == 1 else "".join(lines[start:end]))
        start = end
    return records, texts


def _is_one_note(cells: list[str], further: list[str], delimiter: Delimiter) -> bool:
    return len(cells) == delimiter.n_cells and not any(
        _is_record_by_itself(line, delimiter) for line in further
    )


def _careful(
    waiting: deque[str],
    more: Iterator[str],
    delimiter: Delimiter,
    into: tuple[int, list[list[str]], list[Fault], list[str]],
) -> None:
    """Read records line by line, taking further lines for a quoted line break."""
    first, cells, faults, texts = into
    while waiting:
        line = waiting.popleft()
        record, taken = _record(line, waiting, more, delimiter)
        if record is None:
            for returned in reversed(taken):
                waiting.appendleft(returned)
            record = _split_around_stray_marks(line, delimiter.mark)
            number = first + len(cells)
            kept = len(record) == delimiter.n_cells
            faults.append(Fault(number, _around_mark(record), kept))
            record, taken = record if kept else [], []
        cells.append(record)
        texts.append("".join([line, *taken]))


def _record(
    line: str, waiting: deque[str], more: Iterator[str], delimiter: Delimiter
) -> tuple[list[str] | None, list[str]]:
    """Return the record that begins with a line, and its further lines.

    None where it is no record, and the further lines that were looked at.
    """
    if '"' not in line:
        return ([] if not line.strip() else line.rstrip("\r\n").split(delimiter.mark)), []
    whole = [line]
    taken: list[str] = []
    is_open = line.count('"') % 2 == 1
    while is_open and len(taken) < _LINES_A_RECORD:
        following = waiting.popleft() if waiting else next(more, None)
        if following is None:
            break
        taken.append(following)
        if _is_record_by_itself(following, delimiter):
            break
        whole.append(following)
        is_open = following.count('"') % 2 == 0
    if is_open:
        return None, taken
    try:
        found = list(csv.reader(whole, delimiter=delimiter.mark, strict=True))
    except csv.Error:
        return None, taken
    fits = len(found) == 1 and (not taken or len(found[0]) == delimiter.n_cells)
    return (found[0] if fits else None), taken


def _is_record_by_itself(line: str, delimiter: Delimiter) -> bool:
    """Say whether a line is so whole a record that it cannot be the middle of a note."""
    if delimiter.n_cells < _TELLING_CELLS or line.count('"') % 2:
        return False
    try:
        found = next(csv.reader([line], delimiter=delimiter.mark, strict=True))
    except csv.Error:
        return False
    return len(found) == delimiter.n_cells


def _split_around_stray_marks(line: str, mark: str) -> list[str]:
    """Split a line where a closing mark counts as one only before a separator or the end."""
    cell = re.compile(
        rf'"(?P<quoted>(?:[^"]|"(?!{re.escape(mark)}|$))*)"(?={re.escape(mark)}|$)'
        rf"|(?P<bare>[^{re.escape(mark)}]*)"
    )
    text, cells, at = line.rstrip("\r\n"), [], 0
    while True:
        found = cell.match(text, at)
        assert found is not None  # the second way fits anything, also nothing
        quoted = found.group("quoted")
        cells.append(found.group("bare") if quoted is None else quoted.replace('""', '"'))
        at = found.end() + 1
        if at > len(text):
            return cells


def _around_mark(record: list[str]) -> str:
    return next((cell for cell in record if '"' in cell), record[0])
