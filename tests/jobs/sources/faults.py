"""Ways in which somebody else's machine fails, each a fault for `LocalServer.fail`."""

from __future__ import annotations

import contextlib
import gzip
import socket
import struct
import time
from collections.abc import Callable
from dataclasses import replace

from local_server import Answer, Fault, Handler

PAGE = b"<!DOCTYPE html><html><head><title>Maintenance</title></head><body>Back soon</body></html>"


def status(number: int, body: bytes = b"", **headers: str) -> Fault:
    """Answer with a status."""

    def fault(handler: Handler, _: Callable[[], Answer]) -> None:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        handler.send(Answer(number, body, headers=named))

    return fault


def html(number: int) -> Fault:
    """Answer with a page where data were asked."""

    def fault(handler: Handler, _: Callable[[], Answer]) -> None:
        handler.send(Answer(number, PAGE, "text/html; charset=utf-8"))

    return fault


def drip(handler: Handler, answer: Callable[[], Answer]) -> None:
    """Send the answer in small pieces, each a little later."""
    whole = answer()
    handler.start(whole, len(whole.body), whole.headers)
    with contextlib.suppress(OSError):
        for at in range(40):
            handler.wfile.write(whole.body[at : at + 1])
            handler.wfile.flush()
            time.sleep(0.005)
    handler.close_connection = True


def silence(seconds: float) -> Fault:
    """Send half the answer, then nothing more."""

    def fault(handler: Handler, answer: Callable[[], Answer]) -> None:
        whole = answer()
        handler.start(whole, len(whole.body), whole.headers)
        handler.wfile.write(whole.body[: len(whole.body) // 2])
        handler.wfile.flush()
        time.sleep(seconds)
        handler.close_connection = True

    return fault


def reset(handler: Handler, answer: Callable[[], Answer]) -> None:
    """Send half the answer and throw the connection away."""
    whole = answer()
    handler.start(whole, len(whole.body), whole.headers)
    handler.wfile.write(whole.body[: len(whole.body) // 2])
    handler.wfile.flush()
    _throw_away(handler)


def hang_up(handler: Handler, _: Callable[[], Answer]) -> None:
    """Throw the connection away without a word."""
    _throw_away(handler)


def cut_gzip(handler: Handler, answer: Callable[[], Answer]) -> None:
    """Send the packed answer cut in half, with a length that fits."""
    whole = answer()
    packed = gzip.compress(whole.body)
    half = packed[: len(packed) // 2]
    handler.start(whole, len(half), {**whole.headers, "Content-Encoding": "gzip"})
    handler.wfile.write(half)


def cut_without_length(handler: Handler, answer: Callable[[], Answer]) -> None:
    """Send half the answer as if it were whole: no length, and the connection closes properly."""
    whole = answer()
    handler.start(whole, None, {**whole.headers, "Connection": "close"})
    handler.wfile.write(whole.body[: len(whole.body) // 2])
    handler.close_connection = True


def streaming_sentence(handler: Handler, answer: Callable[[], Answer]) -> None:
    """Answer 200, and end the body in a sentence of plain text."""
    whole = answer()
    half = whole.body[: len(whole.body) // 2]
    handler.send(replace(whole, body=half + b"Unexpected error while streaming data"))


def redirect_loop(handler: Handler, _: Callable[[], Answer]) -> None:
    """Redirect to the very same address."""
    handler.send(Answer(302, headers={"Location": handler.path}))


def redirect_to(location: str, number: int = 302) -> Fault:
    """Redirect elsewhere."""

    def fault(handler: Handler, _: Callable[[], Answer]) -> None:
        handler.send(Answer(number, headers={"Location": location}))

    return fault


def picture(handler: Handler, _: Callable[[], Answer]) -> None:
    """Answer with a type and bytes that nobody asked for."""
    handler.send(Answer(200, b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "image/png"))


def error_in_200(handler: Handler, _: Callable[[], Answer]) -> None:
    """Answer 200 with an error inside."""
    handler.send(Answer(200, b'{"error":true,"reason":"The database is away"}'))


def giant(n_bytes: int) -> Fault:
    """Answer with far more than was asked for, packed small."""

    def fault(handler: Handler, _: Callable[[], Answer]) -> None:
        packed = gzip.compress(b'{"daily":[' + b"0," * (n_bytes // 2) + b"0]}")
        handler.start(Answer(), len(packed), {"Content-Encoding": "gzip"})
        with contextlib.suppress(OSError):
            handler.wfile.write(packed)

    return fault


def _throw_away(handler: Handler) -> None:
    handler.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    handler.close_connection = True
    # the handler's own files hold the socket open too; this closes it under them, with a reset
    socket.close(handler.connection.detach())
