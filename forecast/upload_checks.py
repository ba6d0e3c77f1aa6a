"""What can be seen of a file from outside: whether it can be what it is said to be.

Nothing here says that a file is good; it says that reading it does no harm. A formula in it is text
and stays text; a web page, an archive, a picture or a program is refused, whatever its name says.
"""

from __future__ import annotations

from pathlib import Path

import h5py

from forecast.sheets import SheetError
from forecast.sheets.encoding import find_encoding
from forecast.sheets.packed import refuse_unsafe
from forecast.sheets.workbook import COMPOUND, PACKED
from models.errors import ForepawError
from models.parameters import load_table

WEATHER = "weather"
KINDS = (
    *("visits", "closures", "dogs", "facts", "therapies", "scores", "branches"),
    *("reactions", "vaccinations", "medicines", "tests", "staff"),
    *("flowering", WEATHER),
)
_HDF5, _NETCDF3 = b"\x89HDF\r\n\x1a\n", (b"CDF\x01", b"CDF\x02", b"CDF\x05")
# What files begin with that are no table, and what they are.
_OTHERS = {
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"GIF8": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"{\\rtf": "a text document",
    b"\x1f\x8b": "a packed file (gzip)",
    b"BZh": "a packed file (bzip2)",
    b"\xfd7zXZ": "a packed file (xz)",
    b"7z\xbc\xaf": "an archive of files",
    b"Rar!": "an archive of files",
    b"MZ": "a program",
    b"\x7fELF": "a program",
    b"SQLite format 3": "a database",
}
_TABLE = "bring the table itself, as CSV or as .xlsx"
_SPREADSHEET, _CONTENTS = "xl/workbook.xml", "[Content_Types].xml"


class UploadError(ForepawError):
    """A file that somebody brought is not taken; nothing of it is kept."""


def refuse_unfit(path: Path, shown: str, *, kind: str) -> None:
    """Refuse a file that cannot be of its kind, or would do harm when it is read.

    Raises
    ------
    UploadError, SheetError
        The sentence says what it is instead, and what to do.
    """
    if kind not in KINDS:
        raise UploadError(f"{shown} was brought as {kind!r}; a file may hold {', '.join(KINDS)}")
    content = path.read_bytes()
    is_array = content.startswith((_HDF5, *_NETCDF3))
    if kind == WEATHER:
        if not is_array:
            raise UploadError(
                f"{shown} was brought as weather and is no NetCDF file; daily weather comes as CF "
                "NetCDF, see sample_climate/README.md"
            )
        _refuse_many_values(path, shown, content)
        return
    if is_array:
        raise UploadError(f"{shown} is a NetCDF file; bring it as weather, not as {kind}")
    if content.isspace():
        raise UploadError(f"{shown} is empty; export it again")
    _refuse_no_table(content, shown)


def _refuse_no_table(content: bytes, shown: str) -> None:
    for mark, what in _OTHERS.items():
        if content.startswith(mark):
            raise UploadError(f"{shown} is {what}, whatever its name says; {_TABLE}")
    if content.startswith(COMPOUND):
        raise UploadError(
            f"{shown} is of a kind that spreadsheet programs wrote before 2007 (.xls); what it "
            "holds cannot be bounded before it is read: save it as .xlsx or as CSV UTF-8"
        )
    if content.startswith(b"PK"):
        _refuse_no_workbook(content, shown)
        return
    if content[:1024].lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<"):
        raise SheetError(
            f"{shown} is a web page, whatever its name says; open it in a spreadsheet program and "
            "save it as .xlsx or as CSV UTF-8"
        )
    find_encoding(content, shown)


def _refuse_no_workbook(content: bytes, shown: str) -> None:
    """Refuse an archive that is no workbook; then one that would unpack to too much."""
    if not content.startswith(PACKED) or _SPREADSHEET.encode() not in content:
        if b"mimetypeapplication/vnd.oasis" in content[:200]:
            raise UploadError(f"{shown} is an OpenDocument file; save it as .xlsx or as CSV UTF-8")
        raise UploadError(
            f"{shown} is an archive of files or another document, and no workbook; {_TABLE}"
        )
    if _CONTENTS.encode() not in content:
        raise UploadError(f"{shown} is an archive of files, and no workbook; {_TABLE}")
    refuse_unsafe(content, shown)


def _refuse_many_values(path: Path, shown: str, content: bytes) -> None:
    """Refuse arrays that hold more than their packed size tells."""
    if not content.startswith(_HDF5):
        return  # not packed: its size bounds it
    most = load_table("forecast", "uploads.toml").number("file.most_values")
    total = 0

    def add(name: str, item: object) -> None:
        nonlocal total
        if isinstance(item, h5py.Dataset):
            total += item.size or 0

    try:
        with h5py.File(path, "r") as file:
            file.visititems(add)
    except (OSError, RuntimeError, ValueError, KeyError) as error:
        raise UploadError(f"{shown} looks like a NetCDF file and is broken; bring it again") from (
            error
        )
    if total > most:
        raise UploadError(
            f"{shown} holds {total:,} values, and no more than {most:,.0f} are read; leave out "
            "places that are none of the practice's regions"
        )
