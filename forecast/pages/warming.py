"""What takes long the first time, done before anybody asks: the newest figures and the drawer."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from forecast.figure_files import draw_for_pages
from forecast.pages.figure_pages import drawer
from forecast.pages.issue_reading import latest
from forecast.pages.opened import OpenedPractice
from models.errors import ForepawError

log = logging.getLogger("forepaw.pages")
_ENDS_WITHIN = 10.0  # seconds: drawing is not broken off within a figure


def begin_to_warm(opened: OpenedPractice) -> Callable[[], None]:
    """Begin to warm a practice's pages beside whoever is served; return what ends it."""
    told_to_end = threading.Event()
    arguments = (opened, lambda: not told_to_end.is_set())
    thread = threading.Thread(target=_warm, args=arguments, name="warming", daemon=True)
    thread.start()

    def end() -> None:
        told_to_end.set()
        thread.join(_ENDS_WITHIN)

    return end


def _warm(opened: OpenedPractice, is_wanted: Callable[[], bool]) -> None:
    try:
        issue = latest(opened.practice(), opened.records)
        if issue is not None:
            draw_for_pages(opened.practice(), issue, is_wanted=is_wanted)
            drawer()
    except (ForepawError, OSError) as refusal:
        # the page that needs it says why; here nobody asked
        log.warning("pages were not warmed: %s", type(refusal).__name__)
