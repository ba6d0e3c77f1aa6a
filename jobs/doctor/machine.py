"""Checks of the machine: its packages, its time, its disks."""

from __future__ import annotations

import os
import shutil
from datetime import UTC, date, datetime, time, timedelta
from importlib.metadata import PackageNotFoundError, requires, version
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from packaging.requirements import Requirement

from forecast.records.runs import last_runs
from jobs import disks
from jobs.doctor.check import Check
from jobs.doctor.look import Look, NotLookedAtError
from models.parameters import load_table

DISTRIBUTION = "forepaw"
_SHOWN = ("icechunk", "numpy", "pandas", "scikit-learn", "sqlalchemy", "xarray", "zarr")
_GB = 1e9


def packages(look: Look) -> list[Check]:
    """Look whether all packages are there, in versions that are known to work."""
    name = "packages"
    try:
        wanted = [Requirement(line) for line in requires(DISTRIBUTION) or []]
        own = version(DISTRIBUTION)
    except PackageNotFoundError:
        return [
            Check(
                name,
                "not known",
                f"{DISTRIBUTION} is not installed as a package, so its needs are not written down",
                "install it as README says",
            )
        ]
    wrong = [
        fault
        for need in wanted
        if need.marker is None or need.marker.evaluate({"extra": ""})
        for fault in _fault(need)
    ]
    if wrong:
        return [Check(name, "fail", "; ".join(wrong), "install forepaw again, as README says")]
    shown = ", ".join(f"{package} {version(package)}" for package in _SHOWN)
    return [Check(name, "ok", f"{DISTRIBUTION} {own} with {shown}")]


def _fault(need: Requirement) -> list[str]:
    try:
        found = version(need.name)
    except PackageNotFoundError:
        return [f"{need.name} is missing"]
    if need.specifier.contains(found, prereleases=True):
        return []
    return [f"{need.name} {found} is installed, {need.specifier} is needed"]


# ------------------------------------------------------------------------------ time
def time_zones(look: Look) -> list[Check]:
    """Look whether the time zones of the practice are known to the machine."""
    names = sorted({one.time_zone for one in look.practice.settings.region})
    try:
        offsets = [look.now.astimezone(ZoneInfo(name)).strftime("%z") for name in names]
    except ZoneInfoNotFoundError as error:
        return [
            Check("time zones", "fail", f"there is no data of a time zone: {error}",
                  "install the package tzdata")
        ]  # fmt: skip
    shown = ", ".join(f"{name} (UTC{at})" for name, at in zip(names, offsets, strict=True))
    return [Check("time zones", "ok", f"{shown}; data of tzdata {version('tzdata')}")]


def machine_clock(look: Look) -> list[Check]:
    """Look whether the machine's clock stands after all that was ever written down."""
    name, table = "machine's clock", load_table("jobs.doctor", "doctor.toml")
    do = "set the machine's clock by a time server (such as systemd-timesyncd or chrony)"
    shown = f"{look.now.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
    day = date.fromisoformat(str(table["clock.not_before"].value))
    if look.now < datetime.combine(day, time(), UTC):
        return [Check(name, "fail", f"it says {shown}, which is before this version was made", do)]
    newest = _newest_moment(look)
    if newest is None:
        sentence = f"it says {shown}; nothing was written down yet that it could be held against"
        return [Check(name, "ok", sentence)]
    if newest - look.now > timedelta(minutes=table.number("clock.ahead")):
        sentence = f"it says {shown}, but a run was written down at {newest:%Y-%m-%d %H:%M} UTC"
        return [Check(name, "fail", sentence, do)]
    return [Check(name, "ok", f"it says {shown}, after all that was written down")]


def _newest_moment(look: Look) -> datetime | None:
    try:
        started = [run.started_at for run in last_runs(look.records).values()]
    except NotLookedAtError:
        return None
    return max(started, default=None)


# ------------------------------------------------------------------------------ disks
def local_disk(look: Look) -> list[Check]:
    """Look whether the folder is on a disk of this machine: others lose locks, and so data."""
    sentence = disks.network_disk(look.folder)
    if sentence is not None:
        do = "move the practice folder to a disk of the machine that runs forepaw"
        return [Check("disk", "fail", sentence, do)]
    if not disks.MOUNTS.is_file():
        return [
            Check("disk", "not known", f"what kind of disk it is: there is no {disks.MOUNTS}",
                  "make sure that the folder is on a disk of this machine")
        ]  # fmt: skip
    return [Check("disk", "ok", f"a disk of this machine ({disks.kind_of(look.folder)})")]


def disk_space(look: Look) -> list[Check]:
    """Look whether there is room for what comes."""
    table = load_table("jobs.doctor", "doctor.toml")
    place = next(part for part in (look.folder, *look.folder.parents) if part.is_dir())
    free = shutil.disk_usage(place).free / _GB
    full = os.statvfs(place)
    sentence = f"{free:.1f} GB are free"
    do = "make room, or give the disk more: keep fewer back-ups, look what else lies there"
    if full.f_files and not full.f_favail:
        return [Check("disk space", "fail", f"{sentence}, but no more files can be made", do)]
    if free < table.number("disk.fail_below"):
        return [Check("disk space", "fail", sentence, do)]
    if free < table.number("disk.warn_below"):
        return [Check("disk space", "warn", sentence, do)]
    return [Check("disk space", "ok", sentence)]
