"""What stands before every route: hosts, origins, headers. It knows nobody, and reads no body."""

from __future__ import annotations

import logging
from collections.abc import Callable

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from forecast.pages.addresses import Addresses

log = logging.getLogger("forepaw.pages")
FAULT = (
    "this page failed by a fault of the service, not by yours; what you sent may not have been "
    "taken. The log says where it happened"
)
Refuse = Callable[[Request, str, int], Response]
_SAFE = ("GET", "HEAD", "OPTIONS")
_LONGEST_PATH = 1_000  # characters; the longest there is holds two random ids and a name
_A_YEAR = 365 * 24 * 60 * 60
_POLICY = "; ".join(
    [
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "font-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    ]
)
_NOT_NEEDED = (
    *("accelerometer", "autoplay", "camera", "display-capture", "encrypted-media", "fullscreen"),
    *("geolocation", "gyroscope", "magnetometer", "microphone", "midi", "payment"),
    *("publickey-credentials-get", "screen-wake-lock", "usb", "xr-spatial-tracking"),
)
HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # "no-referrer" would make browsers send forms without their origin
    "referrer-policy": "same-origin",
    "permissions-policy": ", ".join(f"{name}=()" for name in _NOT_NEEDED),
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-robots-tag": "noindex, nofollow",
}
_OVER_TLS = {"strict-transport-security": f"max-age={_A_YEAR}"}
_STATIC = "/static/"


class Guard:
    """Refuses strange hosts and forms from elsewhere; gives every answer its headers."""

    def __init__(self, app: ASGIApp, *, addresses: Addresses, refuse: Refuse) -> None:
        self._app, self._addresses, self._refuse = app, addresses, refuse
        self._headers = HEADERS | (_OVER_TLS if addresses.is_secure else {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope, receive)
        has_begun = False

        async def send_with_headers(message: Message) -> None:
            nonlocal has_begun
            has_begun = True
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers[name] = value
                # what is not said to be kept is not: it may be about people
                keep = "no-cache" if request.url.path.startswith(_STATIC) else "no-store"
                headers.setdefault("cache-control", keep)
            await send(message)

        refusal = self._refusal(request)
        app = self._app if refusal is None else refusal
        try:
            await app(scope, receive, send_with_headers)
        except Exception:
            if has_begun:
                raise
            # what answers outside of this door would give no header and no sentence
            log.exception("an answer failed")
            await self._refuse(request, FAULT, 500)(scope, receive, send_with_headers)

    def _refusal(self, request: Request) -> Response | None:
        hosts = request.headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self._addresses.hosts:
            sentence = (
                "this service was called by a name that is not its own; use the address that the "
                "practice gave you"
            )
            return self._refuse(request, sentence, 421)
        if len(request.scope["path"]) > _LONGEST_PATH:  # of 5,000 digits no number can be made
            return self._refuse(request, "this address is longer than any of this service", 414)
        if not request.scope["path"].isprintable():
            return self._refuse(request, "this address holds signs that none has", 400)
        site = request.headers.get("sec-fetch-site")
        if request.method in _SAFE:
            # links from elsewhere are welcome, pictures and data taken from elsewhere are not
            mode = request.headers.get("sec-fetch-mode")
            if site in ("cross-site", "same-site") and mode not in (None, "navigate"):
                return self._refuse(request, "this is not given to pages of other sites", 403)
            return None
        origin = request.headers.get("origin")
        if site not in (None, "same-origin") or not self._may_come_from(origin, hosts[0]):
            sentence = (
                "a form came from another site, or from another address of this service, and was "
                "not taken; open the page again and send it from there"
            )
            return self._refuse(request, sentence, 403)
        return None

    def _may_come_from(self, origin: str | None, host: str) -> bool:
        if origin is None:
            return True
        return origin in self._addresses.origins and origin.endswith(f"://{host.lower()}")


def is_vouched_for(request: Request) -> bool:
    """Whether the browser itself told where a form came from; the guard has looked at it."""
    return "origin" in request.headers or "sec-fetch-site" in request.headers
