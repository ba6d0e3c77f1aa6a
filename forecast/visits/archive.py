"""The archive: raw files as they came, compressed under their hash, and what checks found."""

from __future__ import annotations

import gzip
import hashlib
import os
from collections.abc import Sequence
from pathlib import Path

from forecast.findings import Finding, findings_csv

_HASH_SHOWN = 16
_LEVEL = 3  # four times as fast as the usual 6, and the file a fifth larger


def sha256_of(content: bytes) -> str:
    """Return the hash under which a file is known."""
    return hashlib.sha256(content).hexdigest()


def keep_raw(folder: Path, content: bytes) -> Path:
    """Keep a raw file, once, whatever its name was."""
    path = folder / f"{sha256_of(content)}.csv.gz"
    if not path.exists():
        # no time stamp inside: the same content gives the same archive file
        _write(path, gzip.compress(content, _LEVEL, mtime=0))
    return path


def keep_findings(folder: Path, sha256: str, findings: Sequence[Finding]) -> Path | None:
    """Keep what the checks of a file found; None where they found nothing."""
    if not findings:
        return None
    path = folder / f"findings-{sha256[:_HASH_SHOWN]}.csv"
    _write(path, findings_csv(findings).encode("utf-8-sig"))
    return path


def _write(path: Path, content: bytes) -> None:
    """Write so that the name stands for the whole content or is not there."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    part.replace(path)
