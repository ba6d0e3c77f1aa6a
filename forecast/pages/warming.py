"""What takes long the first time, done before anybody asks: figures, the drawer, the list of dogs.

Figures are drawn in processes of their own: a drawer keeps its process from answering meanwhile.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from datetime import datetime
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from pathlib import Path

from forecast.figure_files import draw_for_pages
from forecast.issuing import read_issue
from forecast.pages.dog_list import lists
from forecast.pages.figure_pages import hold_script
from forecast.pages.issue_reading import latest
from forecast.pages.opened import OpenedPractice
from forecast.practice import open_practice
from forecast.records.issues import newest_issue
from models.errors import ForepawError

log = logging.getLogger("forepaw.pages")
_ENDS_WITHIN = 1.5  # seconds, for who was told to end; `forepaw serve` kills after nine


def begin_to_warm(opened: OpenedPractice) -> Callable[[], None]:
    """Begin to warm a practice's pages beside whoever is served; return what ends it."""
    practice = opened.practice()
    row = newest_issue(opened.records)
    drawing: BaseProcess | None = None
    if row is not None:
        arguments = (practice.folder, practice.now, practice.issued_folder / row.file)
        drawing = get_context("spawn").Process(target=draw_newest, args=arguments, daemon=True)
        drawing.start()
    thread = threading.Thread(target=_hold, args=(opened,), name="warming", daemon=True)
    thread.start()

    def end() -> None:
        if drawing is not None:
            drawing.terminate()
            drawing.join(_ENDS_WITHIN)
            if drawing.exitcode:
                log.info("drawing ahead ended with %s", drawing.exitcode)
        thread.join(_ENDS_WITHIN)

    return end


def _hold(opened: OpenedPractice) -> None:
    """Read the newest issue, the drawing script and what is due for dogs, for who comes first."""
    try:
        latest(opened.practice(), opened.records)
        hold_script()
        lists.rows(opened.practice(), opened.records)
    except (ForepawError, OSError) as refusal:
        # the page that needs it says why; here nobody asked
        log.warning("pages were not warmed: %s", type(refusal).__name__)


def draw_newest(folder: Path, now: datetime, file: Path) -> None:
    """Draw the figures of an issue for the pages of a practice."""
    draw_for_pages(open_practice(folder, now=now), read_issue(file, with_draws=False))
