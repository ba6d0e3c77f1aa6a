"""What moves the forecast of a region, as its page tells it: a sentence, a picture, every week."""

from __future__ import annotations

from dataclasses import dataclass

from forecast.explaining import ExplainedWeek, change_in_words, explained_weeks
from forecast.issuing import Issue
from forecast.pages.figure_pages import FigureShown, figure_shown
from forecast.pages.page import Row
from forecast.practice import Practice


@dataclass(frozen=True)
class ExplanationShown:
    """What moves each week from what is usual.

    Attributes
    ----------
    sentence
        That of the week with the highest odds.
    figure
        Every part of every week.
    parts
        Names of the parts, the remainder last.
    weeks
        Every week ahead, with its parts on the log scale.
    """

    sentence: str
    figure: FigureShown
    parts: tuple[str, ...]
    weeks: tuple[ExplainedWeek, ...]

    def in_words(self, week: ExplainedWeek) -> tuple[str, ...]:
        """Return what each part adds or takes in a week, in all first."""
        return tuple(map(change_in_words, (week.departure, *week.parts.values())))


def explanation_shown(practice: Practice, issue: Issue, region: str) -> ExplanationShown | None:
    """Return what moves the forecast of a region; None where the issue does not tell it."""
    weeks = explained_weeks(issue.forecast, region)
    figure = figure_shown(practice, issue, f"why-{region}") if weeks else None
    if figure is None:
        return None
    return ExplanationShown(figure.title, figure, tuple(weeks[0].parts), weeks)


def explanation_rows(shown: ExplanationShown | None) -> list[Row]:
    """Return a row a week: usual and forecast rate, then each part on the log scale."""
    if shown is None:
        return []
    return [
        {
            "week": one.week,
            "usual_per_1000": one.usual,
            "forecast_per_1000": one.forecast,
            **{f"log_{part.replace(' ', '_')}": value for part, value in one.parts.items()},
        }
        for one in shown.weeks
    ]
