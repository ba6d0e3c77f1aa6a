"""What the checks look at: the practice and its stores, opened once, read only, or not at all."""

from __future__ import annotations

from datetime import datetime
from functools import cached_property
from pathlib import Path

from sqlalchemy import make_url

from forecast.climate import ClimateStore
from forecast.practice import RESTORING_FILE, SETTINGS_FILE, Practice, parse_settings
from forecast.records.engine import Records
from forecast.records.schema import Standing, schema_of, standing
from models.errors import ForepawError


class NotLookedAtError(Exception):
    """A check cannot be made as what it needs is broken; another check tells how."""


class SettingsError(ForepawError):
    """practice.toml is not there, or the folder is not whole."""


class Look:
    """One look at a practice. What cannot be had raises `NotLookedAtError`, with the reason."""

    def __init__(self, folder: Path, now: datetime) -> None:
        self.folder = folder
        self.now = now
        self._opened: Records | None = None
        self._closed_to_us: ForepawError | None = None

    def read_practice(self) -> Practice:
        """Read the settings; unlike `open_practice` it makes no folder.

        Raises
        ------
        ForepawError
            If they cannot be used.
        """
        if (self.folder / RESTORING_FILE).exists():
            raise SettingsError(
                f"{self.folder} is a back-up that was not restored to its end; delete the folder "
                "and restore again"
            )
        try:
            text = (self.folder / SETTINGS_FILE).read_text(encoding="utf-8")
        except (FileNotFoundError, NotADirectoryError):
            raise SettingsError(
                f"{self.folder} is no practice folder: it holds no {SETTINGS_FILE}; name the right "
                "folder with --practice DIR"
            ) from None
        except UnicodeDecodeError:
            raise SettingsError(f"{SETTINGS_FILE} is not UTF-8 text; save it as UTF-8") from None
        except OSError as error:
            raise SettingsError(
                f"{SETTINGS_FILE} cannot be read: {(error.strerror or '').lower()}"
            ) from None
        return Practice(self.folder, parse_settings(text), self.now, text)

    @cached_property
    def practice(self) -> Practice:
        """The practice, as its settings stand."""
        try:
            return self.read_practice()
        except ForepawError:
            raise NotLookedAtError("not looked at, as practice.toml cannot be used") from None

    @property
    def has_records(self) -> bool:
        """Whether there are records to open; a database on a server always counts as there."""
        url = make_url(self.practice.records_url)
        if url.get_backend_name() != "sqlite":
            return True
        file = Path(url.database or "")
        return file.is_file() and file.stat().st_size > 0

    def open_records(self) -> Records:
        """Open the records as they are, without bringing them to this version's schema."""
        if self._opened is None:
            if not self.has_records:
                raise NotLookedAtError("not looked at, as there are no records yet")
            self._opened = Records(self.practice.records_url)
        return self._opened

    @property
    def schema(self) -> tuple[str | None, Standing]:
        """The records' schema, and how it stands to the newest one known here."""
        if self._closed_to_us is not None:
            raise self._closed_to_us  # a server that is away is waited for once
        try:
            with self.open_records().reading() as connection:
                found = schema_of(connection)
        except ForepawError as refusal:
            self._closed_to_us = refusal
            raise
        return found, standing(found)

    @property
    def records(self) -> Records:
        """The records, if they can be asked: of this version's schema."""
        try:
            _, stands = self.schema
        except ForepawError:
            raise NotLookedAtError("not looked at, as the records cannot be read") from None
        if stands != "current":
            words = {"none": "hold no table yet", "older": "are at an older schema"}
            raise NotLookedAtError(
                f"not looked at, as the records {words.get(stands, 'are at a newer schema')}"
            )
        return self.open_records()

    @property
    def has_climate(self) -> bool:
        """Whether there is a climate store to open."""
        return ClimateStore.is_there(self.practice.climate_folder)

    @cached_property
    def climate(self) -> ClimateStore:
        """The climate store."""
        if not self.has_climate:
            raise NotLookedAtError("not looked at, as there is no climate store yet")
        try:
            return ClimateStore.open(self.practice.climate_folder)
        except Exception:
            # the check of the store itself tells what is broken
            raise NotLookedAtError("not looked at, as the climate store cannot be read") from None

    def close(self) -> None:
        """Give the records back."""
        if self._opened is not None:
            self._opened.close()
