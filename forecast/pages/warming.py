"""What takes long the first time, done before anybody asks: figures, the drawer, the list of dogs.

The list of dogs is looked at again and again, so that neither midnight nor an import has somebody
wait for it. Figures are drawn in processes of their own: a drawer keeps its process from answering
meanwhile.
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
_LOOK_EVERY = 5.0  # seconds; a look is some twenty small queries


def begin_to_warm(opened: OpenedPractice) -> Callable[[], None]:
    """Begin to warm a practice's pages beside whoever is served; return what ends it."""
    practice = opened.practice()
    row = newest_issue(opened.records)
    drawing: BaseProcess | None = None
    if row is not None:
        arguments = (practice.folder, practice.now, practice.issued_folder / row.file)
        drawing = get_context("spawn").Process(target=draw_newest, args=arguments, daemon=True)
        drawing.start()
    ended = threading.Event()
    thread = threading.Thread(target=_warm, args=(opened, ended), name="warming", daemon=True)
    thread.start()

    def end() -> None:
        ended.set()
        if drawing is not None:
            drawing.terminate()
            drawing.join(_ENDS_WITHIN)
            if drawing.exitcode:
                log.info("drawing ahead ended with %s", drawing.exitcode)
        thread.join(_ENDS_WITHIN)

    return end


def _warm(opened: OpenedPractice, ended: threading.Event) -> None:
    """Read the newest issue and the drawing script; then keep the list of dogs warm."""
    _try(lambda: latest(opened.practice(), opened.records))
    _try(hold_script)
    last, folder = "", opened.practice().folder
    try:
        while not ended.is_set():
            last = _try(lambda: lists.keep_warm(opened.practice(), opened.records), but=last)
            ended.wait(_LOOK_EVERY)
    finally:
        lists.leave(folder)  # else pages would wait for ever for a list that nobody makes


def _try(warm: Callable[[], object], *, but: str = "") -> str:
    """Warm something; return the kind of refusal, "" for none, and say it unless it was `but`."""
    try:
        warm()
    except (ForepawError, OSError) as refusal:
        # the page that needs it says why; here nobody asked
        kind = type(refusal).__name__
        if kind != but:
            log.warning("pages were not warmed: %s", kind)
        return kind
    return ""


def draw_newest(folder: Path, now: datetime, file: Path) -> None:
    """Draw the figures of an issue for the pages of a practice."""
    draw_for_pages(open_practice(folder, now=now), read_issue(file, with_draws=False))
