"""Packed workbooks: what they unpack to is bounded before anything reads them.

A workbook of a few kilobytes can unpack to gigabytes, and one with a cell in each far corner makes
its reader hold a place for every cell between them: the process then ends without a word. So each
member is unpacked once, piece by piece, and counted; what it says of its own size is not believed.
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator

from forecast.sheets.errors import SheetError
from models.parameters import ParameterTable, load_table

_MEGABYTE = 1_000_000
_PIECE = 1 << 20  # bytes unpacked at a time
_LOCAL_HEADER = struct.Struct("<4s22xHH")  # its mark, and how long name and extra field are
_ENCRYPTED = 0x1
_ARCHIVES = (".zip", ".xlsx", ".xlsm", ".xlsb", ".xls", ".ods", ".gz", ".bz2", ".xz", ".7z", ".rar")
# The places of cells and the numbers of rows: r="AB12", r="12". Of cells in A to Z those in the
# first rows are passed over, as there are many and they reach nowhere.
_PLACE = re.compile(
    rb"""\br\s{0,9}=\s{0,9}["'](?:([A-Z]{2,3})(\d{1,9})|[A-Z](\d{4,9})|(\d{4,9}))["']""",
    re.IGNORECASE,
)
_FEW_ROWS = 999  # what is passed over reaches no farther
_OVERLAP = 256  # bytes of a piece that are looked at again with the next
_LETTERS = 26
_RESAVE = "open it in a spreadsheet program and save the table alone, as .xlsx or as CSV UTF-8"


def refuse_unsafe(content: bytes, file: str) -> None:
    """Refuse a packed workbook that would unpack to more than can be read.

    Parameters
    ----------
    content, file
        The bytes, which begin as a zip archive does, and the name used in sentences.

    Raises
    ------
    SheetError
        If it is no sound archive, holds another, is locked, or is larger than
        ``limits.toml`` allows: in members, unpacked bytes, how much it was packed, or cells.
    """
    limits = load_table("forecast.sheets", "limits.toml")
    members = _members(content, file, int(limits.number("workbook.most_members")))
    total = 0
    for member in members:
        extent = _Extent()
        for piece in _unpacked(content, member, file):
            total += len(piece)
            _check_size(total, len(content), file, limits)
            extent.see(piece)
        if extent.n_cells > limits.number("workbook.most_cells"):
            raise SheetError(
                f"{file} has a sheet that reaches to row {extent.rows:,} and column "
                f"{extent.columns:,}; that is more than {limits.number('workbook.most_cells'):,.0f}"
                " cells, most of them empty: delete what stands far from the table, or save the "
                "table as CSV UTF-8"
            )


def _members(content: bytes, file: str, most: int) -> list[zipfile.ZipInfo]:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            members = archive.infolist()
    except (zipfile.BadZipFile, ValueError, struct.error, NotImplementedError) as error:
        raise _broken(file) from error
    if len(members) > most:
        raise SheetError(
            f"{file} holds {len(members):,} parts, a workbook at most {most:,}; {_RESAVE}"
        )
    for member in members:
        if member.flag_bits & _ENCRYPTED:
            raise SheetError(f"{file} is locked by a password; save it without one")
        if member.filename.lower().endswith(_ARCHIVES):
            raise SheetError(
                f"{file} holds another file in it ({member.filename.rsplit('/', 1)[-1][:60]!r}); "
                f"bring that file itself, or {_RESAVE}"
            )
        if member.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise SheetError(f"{file} is packed in a way that workbooks are not; {_RESAVE}")
    return members


def _broken(file: str) -> SheetError:
    return SheetError(
        f"{file} looks like a workbook and cannot be read as one: it is broken, or only a part of "
        f"it came; {_RESAVE}"
    )


def _unpacked(content: bytes, member: zipfile.ZipInfo, file: str) -> Iterator[bytes]:
    """Yield what a member unpacks to, whatever its header says of its size."""
    at = member.header_offset
    header = content[at : at + _LOCAL_HEADER.size]
    if len(header) < _LOCAL_HEADER.size or not header.startswith(b"PK\x03\x04"):
        raise _broken(file)
    _, n_name, n_extra = _LOCAL_HEADER.unpack(header)
    start = at + _LOCAL_HEADER.size + n_name + n_extra
    packed = memoryview(content)[start : start + member.compress_size]
    if member.compress_type == zipfile.ZIP_STORED:
        for place in range(0, len(packed), _PIECE):
            yield bytes(packed[place : place + _PIECE])
        return
    unpack = zlib.decompressobj(-zlib.MAX_WBITS)
    rest: bytes | memoryview = packed
    try:
        while not unpack.eof:
            piece = unpack.decompress(rest, _PIECE)
            rest = unpack.unconsumed_tail
            if not piece and not rest:
                break
            yield piece
    except zlib.error as error:
        raise _broken(file) from error


def _check_size(total: int, packed: int, file: str, limits: ParameterTable) -> None:
    most = limits.number("workbook.most_unpacked") * _MEGABYTE
    ratio = limits.number("workbook.highest_ratio")
    counts_from = limits.number("workbook.ratio_counts_from") * _MEGABYTE
    if total > most or (total > counts_from and total > ratio * packed):
        raise SheetError(
            f"{file} is {packed / _MEGABYTE:.1f} MB and unpacks to over {total / _MEGABYTE:,.0f} "
            f"MB, which no table of a practice does; {_RESAVE}"
        )


class _Extent:
    """How far the cells of a sheet reach, told from its text piece by piece."""

    def __init__(self) -> None:
        self.rows, self.columns = _FEW_ROWS, _LETTERS
        self._tail = b""

    def see(self, piece: bytes) -> None:
        """Look through the next piece."""
        text = self._tail + piece
        wide: set[bytes] = set()
        rows = {b"0"}
        for letters, its_row, of_one_letter, row in _PLACE.findall(text):
            wide.add(letters)
            rows.add(its_row or of_one_letter or row)
        self.rows = max(self.rows, *map(int, rows))
        self.columns = max(self.columns, *map(_number_of, wide), 0)
        self._tail = text[-_OVERLAP:]

    @property
    def n_cells(self) -> int:
        """Places that a reader holds for the cells between the corners."""
        return self.rows * self.columns


def _number_of(letters: bytes) -> int:
    """Return the number of a column from its letters: 1 for A, 27 for AA."""
    number = 0
    for letter in letters.upper():
        number = number * _LETTERS + letter - ord("A") + 1
    return number
