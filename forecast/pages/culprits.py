"""What flares follow: odds ratios by driver and lag, as a job worked them out last; for vets."""

from __future__ import annotations

from dataclasses import dataclass
from math import log

from forecast.accounts.roles import Right
from forecast.culprits import CAUTION, KeptCulprits, KeptOdds, kept_culprits
from forecast.explaining import WORDS
from forecast.pages.page import Asked, GoTo, Page, Row, View
from forecast.pages.requests import RequestsPage, ask_clock, moment_words, show_requests

PATH = "/what-flares-follow"
JOB = "culprits"
WIDE = 240.0  # of the box in which an interval is drawn
_LEAST, _MOST = 0.5, 2.0  # odds ratios at its edges


@dataclass(frozen=True)
class OddsShown:
    """A driver at one lag; `start`, `middle` and `end` lie in the box, None where not known.

    The box runs on a logarithmic scale from an odds ratio of one half to two; what lies beyond is
    drawn to its edge.
    """

    words: str
    odds: KeptOdds
    start: float | None
    middle: float | None
    end: float | None


@dataclass(frozen=True)
class CulpritsPage:
    """What flare visits were found to follow; `kept` is None where it was never worked out."""

    answer: str
    kept: KeptCulprits | None
    made: str
    rows: tuple[OddsShown, ...]
    caution: str
    may_ask: bool
    requests: RequestsPage


def _culprits(asked: Asked) -> View:
    kept = kept_culprits(asked.records)
    page = CulpritsPage(
        answer=_answer(kept),
        kept=kept,
        made="" if kept is None else moment_words(asked.practice, kept.made_at),
        rows=() if kept is None else tuple(_shown(one) for one in kept.odds),
        caution=CAUTION,
        may_ask=any(kind.kind == JOB for kind in asked.outside.request_kinds),
        requests=show_requests(asked, most=3),
    )
    rows: list[Row] = [] if kept is None else [vars(one) for one in kept.odds]
    return View("culprits.html", page, {"odds": rows})


def _answer(kept: KeptCulprits | None) -> str:
    if kept is None:
        return "What flares follow beyond the season was not worked out yet"
    return f"{kept.sentence[:1].upper()}{kept.sentence[1:]}"


def _shown(one: KeptOdds) -> OddsShown:
    words = WORDS.get(one.driver, one.driver)
    return OddsShown(words, one, *(_place(v) for v in (one.low, one.odds_ratio, one.high)))


def _place(ratio: float | None) -> float | None:
    if ratio is None or ratio <= 0:
        return None
    share = (log(ratio) - log(_LEAST)) / (log(_MOST) - log(_LEAST))
    return round(WIDE * min(max(share, 0.0), 1.0), 1)


def _ask(asked: Asked) -> GoTo:
    ask_clock(asked, JOB, {})
    return GoTo(f"{PATH}#requests", "Asked for; it is shown below how it goes on.")


PAGES = (
    Page(PATH, "what-flares-follow", Right.SIGN_PLANS, _culprits, has_data=True),
    Page(f"{PATH}/ask", "ask-culprits", Right.SIGN_PLANS, _ask, methods=("POST",)),
)
