"""What kind of disk a folder is on, by the text that Linux gives of its mounts (proc(5))."""

from __future__ import annotations

from pathlib import Path

import pytest

from jobs.disks import file_system

MOUNTS = r"""
24 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
36 24 0:31 / /srv rw,relatime - nfs4 server:/export rw,vers=4.2
37 36 8:2 / /srv/fast rw - xfs /dev/sdb1 rw
38 24 0:40 / /mnt/our\040practice rw shared:9 master:3 - cifs //server/share rw
39 24 0:41 / /home/me/remote rw - fuse.sshfs me@server: rw
40 24 8:3 / /over rw - nfs server:/a rw
41 40 8:4 / /over rw - ext4 /dev/sdc1 rw
a line that is none
"""


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/var/practice", "ext4"),
        ("/srv", "nfs4"),
        ("/srv/practice", "nfs4"),
        ("/srv/fast/practice", "xfs"),
        ("/srvother", "ext4"),
        ("/mnt/our practice/forepaw", "cifs"),
        ("/home/me/remote/a/b", "fuse.sshfs"),
        ("/home/me", "ext4"),
        ("/over/practice", "ext4"),
    ],
)
def test_the_mount_that_reaches_furthest_down_counts(path, kind):
    """A blank is written as octal; of two mounts at one place the later hides the earlier."""
    assert file_system(Path(path), MOUNTS) == kind


def test_a_text_that_says_nothing():
    """It is unknown, and taken for no network disk."""
    assert file_system(Path("/srv"), "") == "unknown"
