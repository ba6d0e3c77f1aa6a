"""Figures of the desk's pages: the load of a role at a branch beside what the roster can take."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Literal, cast

import altair as alt
import pandas as pd
from starlette.responses import Response

from forecast.accounts.roles import Right
from forecast.charts.load import KEY, load_chart, load_text
from forecast.charts.looks import LOOKS
from forecast.charts.theme import INVENTED, WIDTH
from forecast.figure_files import page_figure
from forecast.figures import Figure
from forecast.pages.figure_pages import FigureShown
from forecast.pages.page import Asked, NotFoundError, Page
from forecast.pages.staffing_shown import (
    PATH,
    asked_plan,
    own_branches,
    version_of,
    worked_shifts,
)
from forecast.practice import Practice
from forecast.staffing.desk_numbers import ROLES
from forecast.staffing.kept_plan import KeptPlan
from forecast.staffing.overflow import LoadWeek
from forecast.staffing.words import told_odds, weeks_words
from forecast.wording import odds

_TYPES = {"svg": "image/svg+xml", "json": "application/json"}
_SAFE = re.compile(r"[\w-]+")


def load_figure(
    practice: Practice, plan: KeptPlan, branch: str, name: str, role: str
) -> Figure | None:
    """Return the figure of one role's load at a branch; None where no load of it is told."""
    own = [one for one in plan.load if (one.branch, one.role) == (branch, role)]
    if not any(one.high > 0 or one.capacity > 0 for one in own):
        return None
    frame = pd.DataFrame(
        {
            "week": [pd.Timestamp(one.week) for one in own],
            "low": [one.low for one in own],
            "middle": [one.middle for one in own],
            "high": [one.high for one in own],
            "capacity": [one.capacity for one in own],
            "hold": [one.hours_to_hold for one in own],
            "odds": [one.overflow_odds for one in own],
            "likely": [one.overflow_odds >= told_odds() for one in own],
        }
    )
    likely = [one.week for one in own if one.overflow_odds >= told_odds()]
    title = f"{role.capitalize()} at {name}: "
    title += f"probably too few hours in {weeks_words(likely)}" if likely else _will_do(own)
    note = INVENTED if practice.settings.practice.invented else ""
    source = f"Plan of staff from forecast {plan.issue_id}"

    def draw(*, width: int = WIDTH, hover: bool = False) -> alt.VConcatChart:
        return load_chart(frame, title=title, source=source, note=note, width=width, hover=hover)

    text = load_text(frame, title=title, note=note or None)
    return Figure(f"load-{branch}-{role}", title, (KEY,), source, text, draw)


def _will_do(weeks: Sequence[LoadWeek]) -> str:
    """Say that hours will probably do, and at which chance at worst they do not."""
    worst = odds(max(one.overflow_odds for one in weeks))
    if worst == odds(0.0):
        return "the hours will do"
    return f"the hours will probably do; the chance that they do not is {worst} at most"


def figures_of(
    practice: Practice, version: str, plan: KeptPlan, branch: str, name: str
) -> tuple[FigureShown, ...]:
    """Return the figures of a branch, a role each; the first says how they are read."""
    shown: list[FigureShown] = []
    for role in ROLES:
        figure = load_figure(practice, plan, branch, name, role)
        if figure is not None:
            notes = (*figure.keys, figure.credit) if not shown else ()
            address = _address(version, branch, role)
            shown.append(FigureShown(address, figure.title, figure.text, notes))
    return tuple(shown)


def figure_of_worst(
    practice: Practice, version: str, plan: KeptPlan, names: Mapping[str, str]
) -> tuple[FigureShown, ...]:
    """Return the figure of the branch and role that are likeliest to have too few hours."""
    if not plan.load:
        return ()
    summed: Counter[tuple[str, str]] = Counter()
    for one in plan.load:
        summed[one.branch, one.role] += one.overflow_odds  # type: ignore[assignment]
    (branch, role), _ = summed.most_common(1)[0]
    figure = load_figure(practice, plan, branch, names.get(branch, branch), role)
    if figure is None:
        return ()
    notes = (*figure.keys, figure.credit)
    return (FigureShown(_address(version, branch, role), figure.title, figure.text, notes),)


def _address(version: str, branch: str, role: str) -> str:
    return f"{PATH}/branches/{branch}/load/{version}/{role}"


def _file(asked: Asked) -> Response:
    row, plan, branch = asked_plan(asked)
    parts = asked.path["file"].rsplit(".", 2)
    role, look, kind = parts if len(parts) == 3 else ("", "", "")
    figure = None
    version = version_of(row)
    if version == asked.path["plan"] and role in ROLES and look in LOOKS and kind in _TYPES:
        plan = worked_shifts(asked, row, plan).in_plan(plan)
        figure = load_figure(asked.practice, plan, branch, own_branches(asked)[branch].name, role)
    if figure is None or not _SAFE.fullmatch(branch):
        raise NotFoundError("no such figure of the newest plan; open the page again")
    content = page_figure(
        asked.practice,
        plan.issue_id,
        name=f"load-{version}-{branch}-{role}",
        look=LOOKS[look],
        kind=cast(Literal["svg", "json"], kind),
        make=lambda: figure,
    )
    kept = {"cache-control": "private, max-age=86400"}
    return Response(content, media_type=_TYPES[kind], headers=kept)


PAGES = (
    Page(
        f"{PATH}/branches/{{branch}}/load/{{plan}}/{{file}}",
        "staffing-figure",
        Right.SEE_STAFFING,
        _file,
    ),
)
