"""The practice folder: where everything of one practice is, and the moment it is looked at."""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib.resources import files
from pathlib import Path
from zoneinfo import ZoneInfo

from forecast.settings import SETTINGS_FILE, PracticeError, Settings, parse_settings
from forecast.settings_sections import SUBFOLDERS

__all__ = [
    "RESTORING_FILE",
    "SETTINGS_FILE",
    "Practice",
    "PracticeError",
    "create_practice",
    "open_practice",
    "parse_settings",
    "template",
]

RESTORING_FILE = "restore-incomplete.txt"  # stands in a folder until its restore has ended
_TEMPLATE = "practice_template.toml"
_PRIVATE_FOLDER = 0o700  # the folder holds owners' names: nobody else on the machine reads it
_PRIVATE_FILE = 0o600


@dataclass(frozen=True)
class Practice:
    """An open practice folder: its settings, and the moment it is looked at."""

    folder: Path
    settings: Settings
    now: datetime
    settings_text: str

    @property
    def settings_sha256(self) -> str:
        """Hash of the text of practice.toml, kept with every issue."""
        return hashlib.sha256(self.settings_text.encode()).hexdigest()

    @property
    def settings_file(self) -> Path:
        """The hand-edited settings."""
        return self.folder / SETTINGS_FILE

    @property
    def records_file(self) -> Path:
        """The SQLite file of the records, used unless the settings name another database."""
        return self.folder / "records.sqlite"

    @property
    def records_url(self) -> str:
        """The URL of the records' database."""
        records = self.settings.records
        return records.url if records else f"sqlite:///{self.records_file}"

    @property
    def climate_folder(self) -> Path:
        """The climate store."""
        return self.folder / "climate"

    @property
    def issued_folder(self) -> Path:
        """Issued forecasts, one immutable file each."""
        return self.folder / "issued"

    @property
    def trained_folder(self) -> Path:
        """Trained models."""
        return self.folder / "trained"

    @property
    def archive_folder(self) -> Path:
        """Raw imports and replies, and what their checks found."""
        return self.folder / "archive"

    @property
    def layouts_folder(self) -> Path:
        """How each kind of the practice's exports is read, one file a kind."""
        return self.folder / "layouts"

    @property
    def outbox_folder(self) -> Path:
        """What waits to be sent."""
        return self.folder / "outbox"

    @property
    def letters_folder(self) -> Path:
        """Letters, calendars and recall lists, to be handed over; they hold names."""
        return self.outbox_folder / "letters"

    @property
    def drop_folder(self) -> Path:
        """Where files are laid for the clock to take in; the settings may name one elsewhere."""
        return self.folder / self.settings.clock.drop_folder

    @property
    def backups_folder(self) -> Path:
        """Where back-ups go: beside the practice folder, unless the settings name a folder.

        Never inside it by default: who loses the one should not lose the other.
        """
        named = self.settings.backup.folder
        beside = self.folder.with_name(f"{self.folder.name}-backups")
        return self.folder / Path(named).expanduser() if named else beside

    @property
    def time_zone(self) -> ZoneInfo:
        """The time zone in which the clock reads its local times: the first region's by default."""
        return ZoneInfo(self.settings.clock.time_zone or self.settings.region[0].time_zone)

    @property
    def secrets_folder(self) -> Path:
        """Keys to services, one file each; never in practice.toml, which is kept with issues."""
        return self.folder / "secrets"

    @property
    def local_date(self) -> date:
        """The calendar day in the practice's own time zone."""
        return self.now.astimezone(self.time_zone).date()

    @property
    def today(self) -> date:
        """The latest calendar day that any region of the practice has reached."""
        return self.day_of(self.now)

    def day_of(self, moment: datetime) -> date:
        """Return the latest calendar day that any region of the practice had reached then."""
        zones = {ZoneInfo(region.time_zone) for region in self.settings.region}
        return max(moment.astimezone(zone).date() for zone in zones)


def template() -> str:
    """Return the text of a first practice.toml."""
    return files("forecast").joinpath(_TEMPLATE).read_text(encoding="utf-8")


def create_practice(
    folder: Path | str, text: str | None = None, *, now: datetime | None = None
) -> Practice:
    """Make a new practice folder that only its owner can read, and open it.

    The settings are checked before anything is written; a folder that holds anything is refused.
    """
    folder = Path(folder)
    text = template() if text is None else text
    parse_settings(text)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise PracticeError(
            f"a new practice was asked for in {folder}, which is not an empty folder; "
            "name a new folder"
        )
    try:
        folder.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)
        folder.chmod(_PRIVATE_FOLDER)
    except OSError as error:
        raise PracticeError(
            f"a new practice was asked for in {folder}, which cannot be made: "
            f"{(error.strerror or '').lower()}; name another folder"
        ) from error
    for name in SUBFOLDERS:
        (folder / name).mkdir(mode=_PRIVATE_FOLDER)
    file = os.open(folder / SETTINGS_FILE, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _PRIVATE_FILE)
    with os.fdopen(file, "w", encoding="utf-8") as out:
        out.write(text)
    return open_practice(folder, now=now)


def open_practice(folder: Path | str, *, now: datetime | None = None) -> Practice:
    """Open a practice folder as it stands at `now`, the present moment unless given."""
    folder = Path(folder).absolute()
    now = datetime.now(UTC) if now is None else now
    if now.tzinfo is None:
        raise PracticeError(
            f"the moment {now} has no time zone, so its day is not known; give one with an offset"
        )
    if (folder / RESTORING_FILE).exists():
        raise PracticeError(
            f"{folder} is a back-up that was not restored to its end, so it is incomplete; delete "
            "the folder and run `forepaw restore` again"
        )
    try:
        text = (folder / SETTINGS_FILE).read_text(encoding="utf-8")
    except (FileNotFoundError, NotADirectoryError):
        raise PracticeError(
            f"{folder} is no practice folder: it holds no {SETTINGS_FILE}; make one with "
            "`forepaw init DIR`, or name the right folder with --practice DIR"
        ) from None
    except UnicodeDecodeError as error:
        raise PracticeError(
            f"{SETTINGS_FILE} is not UTF-8 text (byte {error.start}); save it as UTF-8"
        ) from error
    settings = parse_settings(text)
    for name in SUBFOLDERS:  # an empty one is lost by some copies and back-ups
        (folder / name).mkdir(mode=_PRIVATE_FOLDER, exist_ok=True)
    practice = Practice(folder, settings, now, text)
    if practice.drop_folder.parent == folder:
        practice.drop_folder.mkdir(mode=_PRIVATE_FOLDER, exist_ok=True)
    return practice
