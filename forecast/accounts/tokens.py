"""Secrets that a person or a browser carries: random, and kept only as their SHA-256.

A hash without salt will do, as 32 random bytes cannot be guessed; the search by it takes the same
time whatever was sent, as what is compared is the hash.
"""

from __future__ import annotations

import hashlib
import secrets

_BYTES = 32


def new_token() -> str:
    """Return a new token of 256 random bits, fit for an address and a cookie."""
    return secrets.token_urlsafe(_BYTES)


def fingerprint(token: str) -> str:
    """Return what is kept of a token."""
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
