"""Unpacking a body: whole, within bounds, however it is cut into pieces."""

from __future__ import annotations

import gzip
import tracemalloc
import zlib

import pytest

from jobs.sources.body import read_body
from jobs.sources.source import RefusedError, TemporaryError

TEXT = b"north;47.0\n" * 200


class Raw:
    """A reply that comes in pieces of a given size."""

    def __init__(self, data: bytes, size: int) -> None:
        self._pieces = [data[at : at + size] for at in range(0, len(data), size)]

    def read1(self, _: int, *, decode_content: bool) -> bytes:
        """Return the next piece, packed as it came."""
        assert not decode_content
        return self._pieces.pop(0) if self._pieces else b""


def read(data: bytes, encoding: str, *, size: int = 100, largest: int = 10_000) -> bytes:
    """Read a body that comes in pieces."""
    raw = Raw(data, size)
    return read_body(raw, encoding, largest=largest, chunk=size, check_time=lambda: None)


@pytest.mark.parametrize("size", [1, 7, 100_000])
@pytest.mark.parametrize(
    ("encoding", "packed"),
    [
        ("", TEXT),
        ("identity", TEXT),
        ("gzip", gzip.compress(TEXT)),
        ("GZIP", gzip.compress(TEXT)),
        ("x-gzip", gzip.compress(TEXT)),
        ("deflate", zlib.compress(TEXT)),
        ("gzip", gzip.compress(TEXT[:1000]) + gzip.compress(TEXT[1000:])),
    ],
    ids=["as it is", "identity", "gzip", "GZIP", "x-gzip", "deflate", "two gzip members"],
)
def test_a_whole_body_comes_out(encoding, packed, size):
    assert read(packed, encoding, size=size) == TEXT


@pytest.mark.parametrize("size", [1, 100_000])
@pytest.mark.parametrize("cut", [1, 8, 30])
def test_a_packed_body_that_is_cut_is_not_whole(cut, size):
    with pytest.raises(TemporaryError, match="cut short after"):
        read(gzip.compress(TEXT)[:-cut], "gzip", size=size)


@pytest.mark.parametrize(
    "data",
    [b"plain text", gzip.compress(TEXT)[:20] + b"\x00" * 30],
    ids=["plain text", "zeros after a good start"],
)
def test_what_is_not_packed_as_said_is_broken(data):
    with pytest.raises(TemporaryError, match="broken"):
        read(data, "gzip")


def test_an_empty_body_is_empty():
    assert read(b"", "gzip") == read(b"", "") == b""


@pytest.mark.parametrize("encoding", ["", "gzip"])
def test_the_size_counts_to_the_byte(encoding):
    packed = gzip.compress(TEXT) if encoding else TEXT
    assert read(packed, encoding, largest=len(TEXT)) == TEXT
    with pytest.raises(RefusedError, match="broken off"):
        read(packed, encoding, largest=len(TEXT) - 1)


def test_a_bomb_is_not_unpacked():
    bomb = gzip.compress(b"\x00" * 50_000_000)  # 49 kB
    tracemalloc.start()
    try:
        with pytest.raises(RefusedError):
            read(bomb, "gzip", size=100_000)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 2_000_000
