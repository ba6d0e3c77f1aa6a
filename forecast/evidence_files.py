"""What the visits told of drivers when an issue was made, kept beside its other files.

It takes the weather and the counts that the model was learnt from, so a page cannot work it out.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from forecast.charts.render import write_whole
from forecast.practice import Practice
from models.flare.attribution import Evidence

FILE = "evidence.json"


def write_evidence(practice: Practice, issue_id: str, evidence: Sequence[Evidence]) -> None:
    """Keep the evidence with an issue; numbers that are not known as null."""
    rows = [
        {
            key: None if isinstance(value, float) and not math.isfinite(value) else value
            for key, value in asdict(one).items()
        }
        for one in evidence
    ]
    folder = practice.outbox_folder / issue_id
    folder.mkdir(parents=True, exist_ok=True)
    write_whole(folder / FILE, json.dumps(rows, indent=1).encode())


def read_evidence(practice: Practice, issue_id: str) -> list[Evidence] | None:
    """Return the evidence kept with an issue; None where none was kept, or it is gone."""
    try:
        text = (practice.outbox_folder / issue_id / FILE).read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    rows: list[dict[str, Any]] = json.loads(text)
    for row in rows:
        row.update({key: math.nan for key, value in row.items() if value is None})
    return [Evidence(**row) for row in rows]
