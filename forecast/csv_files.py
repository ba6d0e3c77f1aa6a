"""Plain CSV files as practices and observers export them: read as text, checked, never guessed at.

Everything is read as text with the row number a spreadsheet shows, so that a later check can say
where a bad value stands.
"""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import pandas as pd

from forecast.findings import Finding
from models.errors import ForepawError

_DELIMITERS = (",", ";", "\t")
_ISO_DAY = r"\d{4}-\d{2}-\d{2}"
_LISTED = 12  # columns named in an error sentence


class CsvFileError(ForepawError):
    """A file as a whole cannot be read as the CSV it should be; nothing of it was used."""


@dataclass
class CsvTable:
    """Rows of a CSV file as text (index = row number in the file), and what was found so far."""

    file: str
    rows: pd.DataFrame
    findings: list[Finding] = field(default_factory=list)
    n_read: int = 0

    def leave_out(
        self,
        bad: pd.Series,
        column: str,
        *,
        check: str,
        allowed: str,
        fix: str | Mapping[str, str] = "",
    ) -> None:
        """Take the rows marked `bad` out, each with a finding that quotes what was found.

        `fix` is one advice for all, or one for each value found.
        """
        mask = bad.to_numpy(dtype=bool)
        for row, value in self.rows.loc[mask, column].items():
            advice = fix if isinstance(fix, str) else fix.get(value, "")
            shown = f"{value:%Y-%m-%d}" if isinstance(value, date) else repr(value)
            self.findings.append(
                Finding(check, "error", self.file, int(str(row)), column, shown, allowed, advice)
            )
        self.rows = self.rows.loc[~mask]

    def note(self, check: str, found: str, fix: str = "") -> None:
        """Say something about the whole file that changed no row."""
        self.findings.append(Finding(check, "note", self.file, None, None, found, "", fix))

    def leave_out_empty(self, column: str) -> None:
        """Take out the rows in which a column that must be filled is empty."""
        self.leave_out(
            self.rows[column] == "",
            column,
            check="value is missing",
            allowed="any text",
            fix="fill it in",
        )

    def leave_out_unknown(
        self, column: str, allowed: Sequence[str], *, empty: bool = False
    ) -> None:
        """Take out the rows whose word is not among those allowed; `empty` may be allowed too."""
        bad = ~self.rows[column].isin([*allowed, ""] if empty else allowed)
        words = ", ".join(allowed[:_LISTED]) + (", ..." if len(allowed) > _LISTED else "")
        advice = {}
        for word in self.rows.loc[bad, column].unique()[:_LISTED]:  # a search each: not for all
            near = difflib.get_close_matches(word, allowed, n=1)
            advice[word] = f"did you mean {near[0]!r}?" if near else ""
        none_yet = f"none yet: the {column} must be imported first"
        self.leave_out(bad, column, check="unknown word", allowed=words or none_yet, fix=advice)

    def replace_words(self, column: str, synonyms: Mapping[str, str]) -> None:
        """Put the house's word for each synonym, and say so once."""
        used = [word for word in synonyms if (self.rows[column] == word).any()]
        if used:
            said = ", ".join(f"{word!r} read as {synonyms[word]!r}" for word in used)
            self.note("another word", f"{column}: {said}")
            self.rows = self.rows.assign(**{column: self.rows[column].replace(synonyms)})

    def leave_out_repeated(self, columns: list[str]) -> None:
        """Keep the first of rows that agree in `columns`, take the later ones out."""
        self.leave_out(
            self.rows.duplicated(columns, keep="first"),
            columns[-1],
            check=f"repeats an earlier row (same {', '.join(columns)})",
            allowed="one row each",
            fix="the first was kept; delete one of them",
        )

    def parse_days(
        self, column: str, *, earliest: date, latest: date | None, empty: bool = False
    ) -> None:
        """Turn a column of ISO days into datetime64; take out those that are none or out of range.

        `latest` is the last day that has begun; None where a day ahead makes sense.
        """
        text = self.rows[column]
        days = pd.to_datetime(
            text.where(text.str.fullmatch(_ISO_DAY)), format="%Y-%m-%d", errors="coerce"
        )
        blank = (text == "") if empty else pd.Series(False, index=text.index)
        self.leave_out(
            days.isna() & ~blank,
            column,
            check="not a day of the calendar",
            allowed="a day written as 2024-05-31" + (", or nothing" if empty else ""),
        )
        days = days.loc[self.rows.index]
        if latest is not None:
            self.leave_out(
                days > pd.Timestamp(latest),
                column,
                check="day lies in the future",
                allowed=f"up to {latest}",
            )
            days = days.loc[self.rows.index]
        self.leave_out(
            days < pd.Timestamp(earliest),
            column,
            check="day is too old",
            allowed=f"from {earliest}",
        )
        self.rows = self.rows.assign(**{column: days.loc[self.rows.index]})


def read_csv(
    content: bytes, file: str, *, required: Sequence[str], optional: Sequence[str] = ()
) -> CsvTable:
    """Read a CSV file's content into text columns; a file that cannot be one is refused whole."""
    text, encoding = _decode(content, file)
    lines = _lines(text, file)
    header = _header(lines, file, required)
    rows, numbers, ragged = [], [], []
    for number, line in enumerate(lines, start=2):
        if not any(line):
            continue
        if len(line) == len(header):
            rows.append(line)
            numbers.append(number)
        else:
            ragged.append((number, len(line)))
    if not rows and not ragged:
        raise CsvFileError(f"{file} holds a header and no rows; export it again")
    frame = pd.DataFrame(rows, index=pd.Index(numbers, dtype=int), columns=header, dtype="str")
    table = CsvTable(file, _wanted_columns(frame, required, optional), n_read=len(rows))
    table.n_read += len(ragged)
    table.findings += [_ragged(file, number, n, len(header)) for number, n in ragged]
    if encoding != "utf-8":
        table.note("encoding", f"not UTF-8, read as {encoding}", "check letters with accents")
    for name in (n for n in header if n not in (*required, *optional)):
        near = difflib.get_close_matches(name, [o for o in optional if o not in header], n=1)
        table.note("column not used", name, f"did you mean {near[0]!r}?" if near else "")
    return table


def read_bytes(path: Path | str) -> tuple[bytes, str]:
    """Return a file's bytes and its bare name, for error sentences."""
    path = Path(path)
    try:
        return path.read_bytes(), path.name
    except OSError as error:
        raise CsvFileError(f"{path} cannot be read: {(error.strerror or '').lower()}") from error


def _decode(content: bytes, file: str) -> tuple[str, str]:
    if not content.strip():
        raise CsvFileError(f"{file} is empty; export it again")
    if content.startswith(b"PK"):
        raise CsvFileError(f"{file} is a workbook, not a CSV file; save it as CSV UTF-8")
    if content.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in content:
        raise CsvFileError(f"{file} is not a CSV in UTF-8 (it looks like UTF-16); save it as UTF-8")
    try:
        return content.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError as error:
        wrong = error.start
    try:
        return content.decode("cp1252"), "Windows-1252"
    except UnicodeDecodeError as error:
        row = content[:wrong].count(b"\n") + 1
        raise CsvFileError(
            f"{file} is neither UTF-8 (row {row}) nor Windows-1252 text; save it as CSV UTF-8"
        ) from error


def _lines(text: str, file: str) -> Iterator[list[str]]:
    """Yield the cells of each line; a quotation mark left open would swallow all that follows."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text), strict=True)
    try:
        yield from reader
    except csv.Error as error:
        raise CsvFileError(
            f"{file} line {reader.line_num} is not CSV ({error}); look for a stray quotation mark "
            "and export the file again"
        ) from error


def _delimiter(text: str) -> str:
    first = next(line for line in text.splitlines() if line.strip())
    return max(_DELIMITERS, key=first.count)


def _header(lines: Iterator[list[str]], file: str, required: Sequence[str]) -> list[str]:
    header = [cell.strip().lower() for cell in next(lines)]
    twice = [name for name in header if header.count(name) > 1]
    if twice:
        raise CsvFileError(f"{file} has two columns called {twice[0]!r}; keep one of them")
    missing = [name for name in required if name not in header]
    if not missing:
        return header
    name = missing[0]
    near = difflib.get_close_matches(name, header, n=1)
    hint = f"rename {near[0]!r} to {name!r}" if near else f"add a column {name!r}"
    more = f" (nor {', '.join(missing[1:])})" if len(missing) > 1 else ""
    raise CsvFileError(
        f"{file} has no column {name!r}{more}; its first line is "
        f"{', '.join(header[:_LISTED])!r}; {hint}"
    )


def _wanted_columns(
    frame: pd.DataFrame, required: Sequence[str], optional: Sequence[str]
) -> pd.DataFrame:
    wanted = pd.DataFrame(index=frame.index)
    for name in (*required, *optional):
        blank = pd.Series("", index=frame.index, dtype="str")
        wanted[name] = frame[name].str.strip() if name in frame else blank
    return wanted


def _ragged(file: str, number: int, n_cells: int, n_columns: int) -> Finding:
    return Finding(
        "wrong number of cells",
        "error",
        file,
        number,
        None,
        f"{n_cells} cells",
        f"{n_columns}, as in the first line",
        "look for a stray separator or quotation mark",
    )


def is_number(text: pd.Series) -> pd.Series:
    """Say which texts are plain decimal numbers (a point, no thousands separators)."""
    return text.str.fullmatch(r"[+-]?\d+(\.\d+)?")


def nothing_kept(table: CsvTable) -> CsvFileError:
    """Build the refusal of a file of which no row could be kept."""
    first = next(f for f in table.findings if f.severity == "error")
    return CsvFileError(
        f"{table.file}: none of its {table.n_read} rows could be kept; the first: {first.sentence}"
    )
