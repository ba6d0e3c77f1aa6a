"""A disk that fills: a file system of its own where this user may mount one, else a limit."""

from __future__ import annotations

import os
import resource
import subprocess
from pathlib import Path

GIB = 2**30


class Disk:
    """A file system of its own of 8 GiB: what it refuses it refuses as a full disk does."""

    can_be_seen = True  # whoever asks how much is left is told

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "disk"
        self.folder.mkdir()
        self._image = folder / "disk.img"
        with self._image.open("wb") as image:
            image.truncate(8 * GIB)
        made = ["mkfs.ext4", "-q", "-m", "0", "-O", "^has_journal", str(self._image)]
        subprocess.run(made, check=True, capture_output=True)
        mounted = ["mount", "-o", "loop", str(self._image), str(self.folder)]
        subprocess.run(mounted, check=True, capture_output=True)

    def fill(self, leaving: int) -> None:
        """Let so many bytes be left; 0 is none at all."""
        left = os.statvfs(self.folder)
        chunk = left.f_bavail * left.f_frsize - leaving
        with (self.folder / "ballast").open("ab") as ballast:
            while chunk >= left.f_frsize:
                try:
                    end = os.fstat(ballast.fileno()).st_size
                    os.posix_fallocate(ballast.fileno(), end, chunk)
                except OSError:
                    chunk //= 2
                else:
                    chunk = chunk if leaving == 0 else 0

    def empty(self) -> None:
        """Take away what filled it."""
        (self.folder / "ballast").unlink()

    def remove(self) -> None:
        """Take it away."""
        subprocess.run(["umount", "-l", str(self.folder)], check=True, capture_output=True)
        self._image.unlink()


class NoFileGrows(Disk):
    """Where no file system may be mounted: no file of this process takes another byte."""

    can_be_seen = False

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fill(self, leaving: int) -> None:
        """Let no file grow, where nothing is to be left."""
        if leaving == 0:
            resource.setrlimit(resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))

    def empty(self) -> None:
        """Let files grow again."""
        resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY,) * 2)

    def remove(self) -> None:
        """Leave nothing of it."""
        self.empty()


def make_disk(folder: Path) -> Disk:
    """Make the one that this user may."""
    try:
        return Disk(folder)
    except (OSError, subprocess.CalledProcessError):
        return NoFileGrows(folder)
