r"""The counting engine on weekly surveillance counts with seasons, against the bar.

Run by hand, about three minutes on two cores (how to get the data: ``surveillance.py``)::

    FOREPAW_SURVEILLANCE=<folder of its data> \
        pytest -m validation -n 0 -s tests/validation/test_weekly_counts.py

No open weekly series of allergic visits was found; these check the counting machinery, not the
skill to expect of a practice. The engine is the shipped one, without drivers and with nothing known
of the mean; it knows nothing of any disease. Every choice was made on the weeks before the last 156
of the series (and of the total of salmNewport); each time the last 156 were scored stands in
``weekly_counts_scorings.csv`` and in the page made from the result.
"""

from __future__ import annotations

import os
import warnings
from pathlib import Path

import pandas as pd
import pytest
import xarray as xr
from record import keep, text_table
from surveillance import weekly_series
from weekly_protocol import Protocol

pytestmark = pytest.mark.validation

SCORINGS = Path(__file__).with_name("weekly_counts_scorings.csv")
FIRST = "salmonellosis in hospital, Germany"
BAR = 0.35  # best of the single models tried by others on this protocol, relative to climatology
WEIGHTS_TRIED = (
    "Weights of the members from past origins only (by group of leads, shrunk to equal) were "
    "tried on the training weeks of six series, scored at 232 origins: geometric mean 0.716 at "
    "best, the plain median 0.720. One series (salmonellosis by day of onset) made the "
    "difference; on the other five none of the weights was better, and on salmonellosis in "
    "hospital 0.662 against 0.661. So the median stays, and the test weeks were not scored again."
)
STRUCTURES_TRIED = (
    "Other structures were tried on the training weeks of eight panels (these four; salmonellosis "
    "by day of onset, cut where the test weeks of the first series begin; Salmonella Newport from "
    "2000, from 2004, and in six states), 277 origins: an endemic-epidemic member with a level and "
    "a trend whose spreads the counts choose (alone 0.60 on salmonellosis in hospital, where the "
    "median had 0.67); a common drift drawn to zero by its evidence; means of quantiles; other "
    "spreads. Geometric means 0.770 to 0.785, the median 0.780: nothing clear. Trend-climatology "
    "left out one to eight weeks ahead helped there (0.685 to about 0.67 in the first four), and "
    "is left out since."
)
SHORT_PASTS = (
    "On the training weeks of eighteen panels (with influenza of all Germany, mortality by age, "
    "salmonella agona and hadar, cryptosporidia and noroviruses), 465 origins, the regression "
    "alone was 0.92 of the median (90 % interval over panels 0.86 to 0.99) after 130 to 181 weeks "
    "of counts, most of it where the median went badly wrong, and 1.04 of it (1.01 to 1.08) from "
    "200 weeks on: so before 182 weeks it is the forecast. No origin of the table is that early. "
    "Tried there besides, and nothing clearly better from 200 weeks on (median 0.811): a direct "
    "lag whose likelihood is tempered, taken off the regression's season or told of the year "
    "before, alone or as fifth member (0.814 to 0.830); a regression with a looser level or of the "
    "last four or five years, in place of the first (0.808 to 0.817) or beside it (0.815 to "
    "0.821); means of the roots of quantiles (0.812)."
)
STATE_SPACE = (
    "State space came in on the training weeks of fourteen panels (290 origins after 200 weeks and "
    "more): the median of regression, direct lag, smoothing and trend-climatology had 0.811, with "
    "state space twice in place of regression and smoothing it has 0.785. What was tried there of "
    "its own form: four waves or six in place of three and the turn of the year (0.811, 0.816 "
    "against 0.805 in an early form), a season that wobbles about its mean (0.868), levels that do "
    "not return, no slope (within 1 % of each other), no bend (0.834 against 0.803), the "
    "likelihood to powers of 1, 0.5, 0.25 and 0.1 (0.789, 0.785, 0.797, 0.812)."
)
ABOUT = (
    "Weekly counts from the R package surveillance 1.20.3: 22 origins, every six weeks over the "
    "last 156 weeks of each series, 26 weeks ahead, 23 quantiles. Relative: mean weighted interval "
    "score over that of climatology (the same week and two on either side, all past years). "
    "Intervals: 90 %, bootstrap of seasons, widened for their number (three). Made by `FOREPAW_"
    "SURVEILLANCE=<folder> pytest -m validation -n 0 -s tests/validation/test_weekly_counts.py`."
)


@pytest.fixture(scope="module")
def series() -> dict[str, xr.DataArray]:
    folder = os.environ.get("FOREPAW_SURVEILLANCE")
    if not folder:
        pytest.skip("FOREPAW_SURVEILLANCE names no folder with the package's data")
    pytest.importorskip("rdata")
    with warnings.catch_warnings():
        # R objects of classes that rdata does not know are read as plain tables
        warnings.simplefilter("ignore")
        return weekly_series(Path(folder))


def test_the_engine_reaches_the_bar(series):
    """Salmonellosis: relative score at or below 0.35. Three more series with the same engine."""
    protocol = Protocol()
    scores = {name: protocol.scores(counts, print) for name, counts in series.items()}
    tables = protocol.tables(scores)
    reached = {row[0]: row for row in tables[0]["rows"]}
    for table in tables:
        print("\n" + text_table(table))
    keep(
        "weekly_counts",
        title="Weekly counts with seasons",
        about=ABOUT,
        tables=tables,
        notes=_notes(),
    )
    assert round(reached[FIRST][4], 2) <= BAR
    # whatever the bar: each series beats climatology over all leads
    assert all(row[4] < 1.0 for row in reached.values())


def _notes() -> list[str]:
    return [
        f"bar for {FIRST}: {BAR:.2f}, the best single model (picked on the test weeks).",
        "Influenza is forecast worse than before state space came in (0.86), by its member alone "
        "worst; on the training weeks of three influenza panels it had been the best or near it "
        "(0.72 to 0.77 of climatology). Two of the three winters of the test weeks hold up to "
        "twice as many reports as any before. Nothing was changed for it: the choice was made on "
        "the training weeks.",
        STATE_SPACE,
        WEIGHTS_TRIED,
        STRUCTURES_TRIED,
        SHORT_PASTS,
        "Draws are spread about their median by one factor a year, learnt from half years "
        "before it. Three seasons are few: deaths are below climatology, and their interval "
        "reaches one.",
        "p: two-sided, mean loss of each origin, errors of origins up to 24 weeks apart taken "
        "as alike, small-sample correction; nan where the variance so taken is not positive.",
        *_scorings(),
    ]


def _scorings() -> list[str]:
    table = pd.read_csv(SCORINGS)
    return [
        f"scored on the test weeks, {row['date']}: {row['what']}: {row['result']}"
        for row in table.to_dict("records")
    ]
