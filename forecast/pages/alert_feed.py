"""Alerts for partners: an Atom feed, and each alert as a CAP document; given to anybody.

They are there only where practice.toml says so, and hold what every owner was told: no count.
"""

from __future__ import annotations

from starlette.responses import Response

from forecast.alerts.cap import cap_document
from forecast.alerts.cap_rules import MEDIA_TYPE
from forecast.alerts.feed import FEED_MEDIA_TYPE, FEED_PATH, atom_feed, cap_path, told_alerts
from forecast.pages.page import Asked, NotFoundError, Page


def _feed(asked: Asked) -> Response:
    _refuse_unless_open(asked)
    content = atom_feed(asked.practice, asked.records, public=asked.public_address)
    return Response(content, media_type=FEED_MEDIA_TYPE)


def _cap(asked: Asked) -> Response:
    _refuse_unless_open(asked)
    wanted = asked.request.url.path
    for alert, news in told_alerts(asked.practice, asked.records):
        if cap_path(alert, news) == wanted:
            content = cap_document(asked.practice, asked.records, alert, news)
            return Response(content, media_type=MEDIA_TYPE)
    raise NotFoundError("there is no alert at this address")


def _refuse_unless_open(asked: Asked) -> None:
    if not asked.practice.settings.alerts.feed:
        raise NotFoundError("there is no page at this address")


PAGES = (
    Page(FEED_PATH, "alert-feed", None, _feed),
    Page("/alerts/cap/{document}.xml", "alert-cap", None, _cap),
)
