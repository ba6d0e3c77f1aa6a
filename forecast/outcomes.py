"""What came of a request, in full: kept in the practice folder, as it may hold a name.

The ledger and a request hold a sentence without names; whoever asked wants the whole.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import timedelta
from pathlib import Path

from forecast.practice import Practice
from forecast.private_files import write_private
from models.parameters import load_table

OUTCOMES_FOLDER = "outcomes"
_ID = re.compile(r"[0-9a-f-]{8,40}")


@dataclass(frozen=True)
class Outcome:
    """What came of a run that somebody asked for.

    `import_id` is the import that it made or was about, where there is one.
    """

    sentence: str
    import_id: int | None = None
    remarks: Sequence[str] = ()


def keep_outcome(practice: Practice, run_id: str, outcome: Outcome) -> None:
    """Keep what came of a run."""
    folder = practice.folder / OUTCOMES_FOLDER
    folder.mkdir(mode=0o700, exist_ok=True)
    text = json.dumps(asdict(outcome), ensure_ascii=False)
    write_private(folder / f"{run_id}.json", text.encode())


def outcome_of(practice: Practice, run_id: str | None) -> Outcome | None:
    """Return what came of a run; None where nothing is kept of it."""
    if run_id is None or not _ID.fullmatch(run_id):
        return None
    path = practice.folder / OUTCOMES_FOLDER / f"{run_id}.json"
    try:
        return Outcome(**json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        return None


def forget_outcomes(practice: Practice) -> list[str]:
    """Delete what was kept long enough; say how many."""
    days = load_table("forecast", "uploads.toml").number("outcome.keep")
    before = (practice.now - timedelta(days=days)).timestamp()
    old = [path for path in _files(practice) if path.stat().st_mtime < before]
    for path in old:
        path.unlink()
    return [f"answers to requests deleted {len(old)}"] if old else []


def _files(practice: Practice) -> list[Path]:
    return sorted((practice.folder / OUTCOMES_FOLDER).glob("*.json"))
