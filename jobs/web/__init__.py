"""The web process: the pages of one practice, by uvicorn, until it is told to end."""

from __future__ import annotations

from jobs.web.server import Listening, WebError, run_web

__all__ = ["Listening", "WebError", "run_web"]
