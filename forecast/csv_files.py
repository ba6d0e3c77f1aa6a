"""Files of our own formats, as text or workbook: known columns, checked, never guessed at.

What a file looks like is the business of `forecast.sheets`; here stand the checks that the readers
of branches, dogs, visits, therapies, facts, scores and flowering dates share.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import pandas as pd

from forecast.findings import Finding
from forecast.sheets import Sheet, SheetError, read_sheet

_ISO_DAY = r"\d{4}-\d{2}-\d{2}"
_LISTED = 12  # columns named in an error sentence


@dataclass
class CsvTable:
    """Rows of a file as text (index = row number in the file), and what was found so far."""

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

    def parse_numbers(
        self,
        column: str,
        *,
        lowest: float,
        highest: float,
        empty: bool = False,
        check: str = "not a number in range",
    ) -> None:
        """Turn a column into numbers, nan for an empty one that may be; take out all others."""
        text = self.rows[column]
        number = pd.to_numeric(text.where(is_number(text)))
        good = number.between(lowest, highest) | ((text == "") if empty else False)
        self.leave_out(
            ~good,
            column,
            check=check,
            allowed=f"{lowest:g} to {highest:g}, with a decimal point"
            + (", or nothing" if empty else ""),
        )
        self.rows = self.rows.assign(**{column: number.loc[self.rows.index].astype(float)})


def read_csv(
    content: bytes, file: str, *, required: Sequence[str], optional: Sequence[str] = ()
) -> CsvTable:
    """Read a file of one of our own formats, as text or workbook; case in headings is no matter.

    A file that cannot be one is refused whole.
    """
    return csv_table(
        read_sheet(content, file, expected=[required]), required=required, optional=optional
    )


def csv_table(sheet: Sheet, *, required: Sequence[str], optional: Sequence[str] = ()) -> CsvTable:
    """Return a sheet as a table of one of our own formats; see `read_csv`."""
    columns = _columns(sheet, required)
    if not sheet.n_read:
        raise SheetError(f"{sheet.file} holds a header and no rows; export it again")
    wanted = pd.DataFrame(index=sheet.rows.index)
    for name in (*required, *optional):
        given = columns.get(name)
        blank = pd.Series("", index=sheet.rows.index, dtype="str")
        wanted[name] = blank if given is None else sheet.rows[given].astype("str")
    table = CsvTable(sheet.file, wanted, sheet.findings, sheet.n_read)
    for name in (n for n in columns if n not in (*required, *optional)):
        near = difflib.get_close_matches(name, [o for o in optional if o not in columns], n=1)
        table.note("column not used", name, f"did you mean {near[0]!r}?" if near else "")
    return table


def read_bytes(path: Path | str) -> tuple[bytes, str]:
    """Return a file's bytes and its bare name, for error sentences."""
    path = Path(path)
    try:
        return path.read_bytes(), path.name
    except OSError as error:
        raise SheetError(f"{path} cannot be read: {(error.strerror or '').lower()}") from error


def _columns(sheet: Sheet, required: Sequence[str]) -> dict[str, str]:
    """Return the columns' headings by their names in lower case, all required ones among them."""
    if sheet.repeated:
        twice = sheet.repeated[0].lower()
        raise SheetError(f"{sheet.file} has two columns called {twice!r}; keep one of them")
    columns = {heading.lower(): heading for heading in sheet.headings}
    missing = [name for name in required if name not in columns]
    if not missing:
        return columns
    name = missing[0]
    near = difflib.get_close_matches(name, columns, n=1)
    hint = f"rename {near[0]!r} to {name!r}" if near else f"add a column {name!r}"
    more = f" (nor {', '.join(missing[1:])})" if len(missing) > 1 else ""
    raise SheetError(
        f"{sheet.file} has no column {name!r}{more}; its line of headings (row "
        f"{sheet.heading_row}) is {', '.join(list(columns)[:_LISTED])!r}; {hint}"
    )


def is_number(text: pd.Series) -> pd.Series:
    """Say which texts are plain decimal numbers (a point, no thousands separators)."""
    return text.str.fullmatch(r"[+-]?\d+(\.\d+)?")


def nothing_kept(table: CsvTable) -> SheetError:
    """Build the refusal of a file of which no row could be kept."""
    first = next(f for f in table.findings if f.severity == "error")
    return SheetError(
        f"{table.file}: none of its {table.n_read} rows could be kept; the first: {first.sentence}"
    )
