"""The archive: raw files as they came, compressed under their hash, and what checks found."""

from __future__ import annotations

import gzip
import hashlib
import zlib
from collections.abc import Sequence
from pathlib import Path

from forecast.findings import Finding, findings_csv
from forecast.private_files import write_private
from forecast.visits.rules import VisitError

RAW_ENDING = ".csv.gz"  # whatever the file was when it came
_HASH_SHOWN = 16
_LEVEL = 3  # four times as fast as the usual 6, and the file a fifth larger


def sha256_of(content: bytes) -> str:
    """Return the hash under which a file is known."""
    return hashlib.sha256(content).hexdigest()


def keep_raw(
    folder: Path, content: bytes, *, ending: str = RAW_ENDING, sha256: str | None = None
) -> Path:
    """Keep a raw file, once, whatever its name was.

    `sha256` is given where rows were taken out: the file is found by what it was when it came.
    """
    path = folder / f"{sha256 or sha256_of(content)}{ending}"
    if not path.exists():
        # no time stamp inside: the same content gives the same archive file
        write_private(path, gzip.compress(content, _LEVEL, mtime=0))
    return path


def raw_content(folder: Path, sha256: str) -> bytes | None:
    """Return a raw file as it is kept under the hash it came with; None where it is kept no more.

    Raises
    ------
    VisitError
        If it cannot be unpacked.
    """
    path = folder / f"{sha256}{RAW_ENDING}"
    if not path.exists():
        return None
    try:
        return gzip.decompress(path.read_bytes())
    except (OSError, EOFError, zlib.error) as error:
        raise VisitError(
            f"{path.name} of the archive cannot be unpacked ({error}); bring the file itself in"
        ) from error


def keep_findings(folder: Path, sha256: str, findings: Sequence[Finding]) -> Path | None:
    """Keep what the checks of a file found; None, and no file, where they found nothing."""
    path = findings_path(folder, sha256)
    if not findings:
        path.unlink(missing_ok=True)
        return None
    write_private(path, findings_csv(findings).encode("utf-8-sig"))
    return path


def findings_path(folder: Path, sha256: str) -> Path:
    """Return where the findings of a file are kept, if it has any."""
    return folder / f"findings-{sha256[:_HASH_SHOWN]}.csv"
