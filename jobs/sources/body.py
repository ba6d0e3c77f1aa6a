"""Reading the body of a reply: unpacked, whole, not too large, not too slow; else why not."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from typing import Protocol

import urllib3

from jobs.sources.source import RefusedError, TemporaryError

_GZIP_OR_ZLIB = zlib.MAX_WBITS | 32


class _Decoder(Protocol):
    def feed(self, data: bytes) -> bytes: ...

    def is_whole(self) -> bool: ...


def read_body(
    raw: urllib3.BaseHTTPResponse,
    encoding: str,
    *,
    largest: int,
    chunk: int,
    check_time: Callable[[], None],
) -> bytes:
    """Return the unpacked body of a reply.

    Parameters
    ----------
    raw
        The reply, its headers read and its body not.
    encoding
        Its Content-Encoding; gzip, deflate and none are understood.
    largest
        Most bytes, packed or unpacked.
    chunk
        Bytes read at one time.
    check_time
        Called after every piece; raises when the reply takes too long.

    Raises
    ------
    TemporaryError
        If the packed body is cut short or broken.
    RefusedError
        If it is too large, or packed in a way that was not asked for.
    """
    decoder = _decoder(encoding, largest)
    pieces: list[bytes] = []
    n_packed = n_unpacked = 0
    while data := raw.read1(chunk, decode_content=False):
        n_packed += len(data)
        piece = decoder.feed(data)
        n_unpacked += len(piece)
        if max(n_packed, n_unpacked) > largest:
            raise RefusedError(
                f"the reply passed {largest / 1e6:g} MB and was broken off; that is far more than "
                "was asked for"
            )
        pieces.append(piece)
        check_time()
    if not decoder.is_whole():
        raise TemporaryError(f"the packed reply is cut short after {n_packed} bytes")
    return b"".join(pieces)


def _decoder(encoding: str, largest: int) -> _Decoder:
    name = encoding.strip().lower()
    if name in ("", "identity"):
        return _Plain()
    if name in ("gzip", "x-gzip", "deflate"):
        return _Packed(largest)
    raise RefusedError(f"the reply is packed as {encoding!r}, which was not asked for")


class _Plain:
    def feed(self, data: bytes) -> bytes:
        return data

    def is_whole(self) -> bool:
        return True


class _Packed:
    """One or several gzip members, or a zlib stream; never unpacks more than it may."""

    def __init__(self, largest: int) -> None:
        self._left = largest + 1
        self._inflate = zlib.decompressobj(_GZIP_OR_ZLIB)
        self._begun = False

    def feed(self, data: bytes) -> bytes:
        unpacked = b""
        while data and self._left > 0:
            if self._inflate.eof:
                self._inflate = zlib.decompressobj(_GZIP_OR_ZLIB)
            self._begun = True
            try:
                piece = self._inflate.decompress(data, self._left)
            except zlib.error as error:
                raise TemporaryError(f"the packed reply is broken ({error})") from error
            self._left -= len(piece)
            unpacked += piece
            data = self._inflate.unconsumed_tail or self._inflate.unused_data
        return unpacked

    def is_whole(self) -> bool:
        return self._inflate.eof or not self._begun
