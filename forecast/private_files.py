"""Files that only their owner can read, written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path


def write_private(path: Path, content: bytes) -> None:
    """Write a file that only its owner can read, whole or not at all."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "wb") as out:
        out.write(content)
        out.flush()
        os.fsync(out.fileno())
    part.replace(path)
