"""The files of a replay under way: a day each, so that one that was broken off goes on there.

`replays/<first>_<last>_<every>/` holds `pinned.json` (the data and versions it runs on), a file a
day that is done, and at the end `days.csv` and `scores.csv`, which take the place of those.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from forecast.replaying import Replayed
from forecast.versions import Versions

FOLDER = "replays"
_PINNED, _DAYS, _SCORES = "pinned.json", "days.csv", "scores.csv"
_PRIVATE_FOLDER = 0o700


@dataclass(frozen=True)
class Pinned:
    """What all days of a replay run on."""

    climate_snapshot: str
    visit_vintage: str | None
    settings_sha256: str
    versions: Versions
    n_issues: int


class ReplayFiles:
    """The folder of one replay.

    Parameters
    ----------
    practice_folder
        The practice's folder.
    first, last, every
        The replay's days.
    """

    def __init__(self, practice_folder: Path, *, first: date, last: date, every: int) -> None:
        self.folder = practice_folder / FOLDER / f"{first}_{last}_{every}"

    def pinned(self) -> Pinned | None:
        """Return what a replay that was broken off runs on; None where there is none."""
        path = self.folder / _PINNED
        if not path.exists() or (self.folder / _DAYS).exists():
            return None
        return Pinned(**json.loads(path.read_text(encoding="utf-8")))

    def begin(self, pinned: Pinned) -> None:
        """Start anew: what an earlier replay of these days left is taken away."""
        self.folder.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)
        for path in self.folder.iterdir():
            path.unlink()
        self._write(_PINNED, json.dumps(asdict(pinned)))

    def keep(self, done: Replayed) -> None:
        """Keep a day that is done."""
        held = {
            "issue_id": done.issue_id,
            "outcome": done.outcome,
            "sentence": done.sentence,
            "changed": done.changed,
            "scores": _to_lists(done.scores),
        }
        self._write(f"{done.day}.json", json.dumps(held))

    def done(self) -> dict[date, Replayed]:
        """Return the days that are done."""
        found = {}
        for path in sorted(self.folder.glob("????-??-??.json")):
            held = json.loads(path.read_text(encoding="utf-8"))
            day = date.fromisoformat(path.stem)
            found[day] = Replayed(
                day,
                held["issue_id"],
                held["outcome"],
                held["sentence"],
                tuple(held["changed"]),
                _from_lists(held["scores"]),
            )
        return found

    def finish(self, done: Sequence[Replayed]) -> list[Path]:
        """Write the two tables in place of the days' files; return their paths."""
        days = pd.DataFrame(
            {
                "day": [one.day for one in done],
                "kind": [one.kind for one in done],
                "issue": [one.issue_id for one in done],
                "outcome": [one.outcome for one in done],
                "what": [one.sentence for one in done],
            }
        )
        parts = [
            one.scores.assign(day=one.day, kind=one.kind) for one in done if not one.scores.empty
        ]
        scores = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
        self._write(_SCORES, scores.to_csv(index=False))
        self._write(_DAYS, days.to_csv(index=False))
        for path in self.folder.glob("????-??-??.json"):
            path.unlink()
        return [self.folder / _DAYS, self.folder / _SCORES]

    def _write(self, name: str, text: str) -> None:
        """Write so that the name stands for the whole text or is not there."""
        partial = self.folder / f"{name}.part"
        partial.write_text(text, encoding="utf-8")
        os.replace(partial, self.folder / name)


def _to_lists(scores: pd.DataFrame) -> dict[str, list[Any]]:
    """Return columns as JSON takes them, every number to its last bit."""
    lists = {str(name): column.tolist() for name, column in scores.items()}
    return lists if scores.empty else lists | {"week": [day.isoformat() for day in lists["week"]]}


def _from_lists(lists: dict[str, list[Any]]) -> pd.DataFrame:
    scores = pd.DataFrame(lists)
    return scores if scores.empty else scores.astype({"week": "datetime64[ns]"})
