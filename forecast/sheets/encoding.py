"""Which encoding a text file is written in: proved from all its bytes, or refused."""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from forecast.sheets.errors import SheetError

_BLOCK = 1 << 20  # bytes decoded at a time
_SAMPLE = 1 << 16  # bytes that tell UTF-16 without a mark
_LINES_JUDGED = 20_000
_WINDOWS_BYTES = "forepaw_windows_bytes"  # an error handler's name, not an encoding's
_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8"),
    (codecs.BOM_UTF32_LE, "utf-32", "UTF-32"),  # begins as the mark of UTF-16 does: first
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)


@dataclass(frozen=True)
class Encoding:
    """A codec that reads every byte of a file, its name for people, and what to say of it."""

    codec: str
    name: str
    errors: str = "strict"
    remark: str = ""


def find_encoding(content: bytes, file: str) -> Encoding:
    """Return the encoding of a text file.

    A mark decides; without one UTF-8 must fit every byte, and what does not fit is read as
    Windows-1252 and said.

    Raises
    ------
    SheetError
        If the bytes are no text in any of UTF-8, UTF-16, UTF-32 and Windows-1252.
    """
    for mark, codec, name in _MARKS:
        if content.startswith(mark):
            return _whole(content, file, Encoding(codec, name))
    if b"\x00" in content[:_SAMPLE]:
        return _whole(content, file, _unmarked_utf16(content, file))
    fault = _first_fault(content, "utf-8")
    if fault is None:
        return Encoding("utf-8", "UTF-8")
    n_utf8, n_other = _lines_with_accents(content)
    if n_utf8 > n_other:
        return Encoding(
            "utf-8",
            "UTF-8",
            _WINDOWS_BYTES,
            f"UTF-8, but for {n_other} lines (the first is {_row(content, fault)}) that were read "
            "as Windows-1252",
        )
    if _first_fault(content, "cp1252") is None:
        return Encoding("cp1252", "Windows-1252", remark="not UTF-8, read as Windows-1252")
    raise SheetError(
        f"{file} is neither UTF-8 (row {_row(content, fault)}) nor Windows-1252 text; "
        "save it as CSV UTF-8"
    )


def _unmarked_utf16(content: bytes, file: str) -> Encoding:
    """Tell the byte order from where the zero bytes of plain letters stand."""
    sample = content[:_SAMPLE]
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    half = len(sample) / 4  # half of the letters of one side
    if odd > half and odd > 10 * even:
        return Encoding("utf-16-le", "UTF-16", remark="read as UTF-16, though no mark says so")
    if even > half and even > 10 * odd:
        return Encoding("utf-16-be", "UTF-16", remark="read as UTF-16, though no mark says so")
    raise SheetError(f"{file} is no text (it holds zero bytes); export it again as CSV UTF-8")


def _whole(content: bytes, file: str, found: Encoding) -> Encoding:
    if _first_fault(content, found.codec) is not None:
        raise SheetError(
            f"{file} is {found.name} up to a place and then breaks off; export it again"
        )
    return found


def _first_fault(content: bytes, codec: str) -> int | None:
    """Return the place of the first byte that the codec cannot read; None if it reads them all."""
    decoder = codecs.getincrementaldecoder(codec)()
    for start in range(0, len(content), _BLOCK):
        block = content[start : start + _BLOCK]
        try:
            decoder.decode(block, final=start + _BLOCK >= len(content))
        except UnicodeDecodeError as error:
            # the decoder may have carried a few bytes of a letter over from the block before
            carried = len(error.object) - len(block)
            return start - carried + error.start
    return None


def _lines_with_accents(content: bytes) -> tuple[int, int]:
    """Count the lines with letters beyond ASCII that are UTF-8, and those that are not."""
    counts = [0, 0]
    for number, line in enumerate(re.finditer(rb"[^\n]*[\x80-\xff][^\n]*", content)):
        if number == _LINES_JUDGED:
            break
        try:
            line.group().decode("utf-8")
            counts[0] += 1
        except UnicodeDecodeError:
            counts[1] += 1
    return counts[0], counts[1]


def _row(content: bytes, place: int) -> int:
    return content.count(b"\n", 0, place) + 1


def _as_windows(error: UnicodeError) -> tuple[str, int]:
    """Read the bytes that are no UTF-8 as Windows-1252; the few it does not know become U+FFFD."""
    assert isinstance(error, UnicodeDecodeError)
    return error.object[error.start : error.end].decode("cp1252", "replace"), error.end


codecs.register_error(_WINDOWS_BYTES, _as_windows)
