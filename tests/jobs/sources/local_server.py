"""A web server of this machine for tests: it speaks as told, and can be made to fail as told.

A route is a function from what was asked to an `Answer`. A fault (`faults.py`) takes the place of
the answer, or spoils it, for the next so many requests.
"""

from __future__ import annotations

import gzip
import ssl
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

FOLDER = Path(__file__).parent
FOREVER = 1_000_000


@dataclass(frozen=True)
class Asked:
    """One request as it reached the server; header names in lower case."""

    method: str
    path: str
    query: dict[str, list[str]]
    headers: dict[str, str]
    body: bytes = b""

    def one(self, name: str, default: str = "") -> str:
        """Return a parameter that stands there once."""
        return self.query.get(name, [default])[0]

    def listed(self, name: str) -> list[str]:
        """Return a parameter given as a comma list, or repeated."""
        return [word for part in self.query.get(name, []) for word in part.split(",") if word]


@dataclass(frozen=True)
class Answer:
    """What the server says."""

    status: int = 200
    body: bytes = b""
    content_type: str = "application/json; charset=utf-8"
    headers: Mapping[str, str] = field(default_factory=dict)


Route = Callable[[Asked], Answer]
Fault = Callable[["Handler", Callable[[], Answer]], None]


class LocalServer:
    """A server on 127.0.0.1; use it in a `with` statement.

    Parameters
    ----------
    routes
        Beginning of a path to what answers there; the longest one that fits is taken.
    certificate
        A PEM file with certificate and key, to speak TLS.
    """

    def __init__(self, routes: Mapping[str, Route] | None = None, certificate: Path | None = None):
        self.routes: dict[str, Route] = dict(routes or {})
        self.asked: list[Asked] = []
        self.fault: Fault | None = None
        self.fault_left = 0
        self.packed = True
        self._http = _Server(("127.0.0.1", 0), Handler)
        self._http.owner = self
        self._scheme = "http"
        if certificate is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificate)
            self._http.socket = context.wrap_socket(
                self._http.socket, server_side=True, do_handshake_on_connect=False
            )
            self._scheme = "https"
        self._thread = threading.Thread(target=self._http.serve_forever, args=(0.01,), daemon=True)

    def __enter__(self) -> LocalServer:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._http.shutdown()
        self._http.server_close()
        self._thread.join()

    @property
    def host(self) -> str:
        """Host and port."""
        return f"127.0.0.1:{self._http.server_address[1]}"

    @property
    def url(self) -> str:
        """Scheme, host and port."""
        return f"{self._scheme}://{self.host}"

    def fail(self, fault: Fault, times: int = FOREVER) -> None:
        """Let the next so many requests meet a fault."""
        self.fault, self.fault_left = fault, times

    def heal(self) -> None:
        """Answer as usual again."""
        self.fault, self.fault_left = None, 0

    def answer(self, asked: Asked) -> Answer:
        """Return what the routes say."""
        fitting = [start for start in self.routes if asked.path.startswith(start)]
        if not fitting:
            return Answer(404, b'{"error":true,"reason":"Not Found"}')
        return self.routes[max(fitting, key=len)](asked)


class _Server(ThreadingHTTPServer):
    owner: LocalServer
    daemon_threads = True
    block_on_close = False

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Keep quiet: a client that broke off is what the tests are about."""


class Handler(BaseHTTPRequestHandler):
    """Turns one request into an answer or a fault."""

    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True  # else each answer waits 40 ms for the client's delayed word
    server: _Server

    def do_GET(self) -> None:
        """Answer a GET."""
        self._serve(b"")

    def do_POST(self) -> None:
        """Answer a POST; its form is read as the query."""
        self._serve(self.rfile.read(int(self.headers.get("Content-Length", "0"))))

    def _serve(self, body: bytes) -> None:
        owner = self.server.owner
        parts = urlsplit(self.path)
        query = parse_qs(body.decode() if body else parts.query, keep_blank_values=True)
        headers = {name.lower(): value for name, value in self.headers.items()}
        asked = Asked(self.command, parts.path, query, headers, body)
        owner.asked.append(asked)
        if owner.fault is not None and owner.fault_left > 0:
            owner.fault_left -= 1
            owner.fault(self, lambda: owner.answer(asked))
        else:
            self.send(owner.answer(asked))

    def send(self, answer: Answer) -> None:
        """Send a whole answer, packed where the client can unpack it and an ETag as asked."""
        headers = dict(answer.headers)
        body = answer.body
        if headers.get("ETag") and self.headers.get("If-None-Match") == headers["ETag"]:
            answer, body = replace(answer, status=304), b""
        if body and self.server.owner.packed and "gzip" in self.headers.get("Accept-Encoding", ""):
            body, headers["Content-Encoding"] = gzip.compress(body, 1), "gzip"
        self.start(answer, len(body), headers)
        self.wfile.write(body)

    def start(self, answer: Answer, length: int | None, headers: Mapping[str, str]) -> None:
        """Send status and headers."""
        self.send_response(answer.status)
        self.send_header("Content-Type", answer.content_type)
        if length is not None and answer.status != 304:
            self.send_header("Content-Length", str(length))
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Keep the tests' output quiet."""
