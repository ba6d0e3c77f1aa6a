"""The look: readable for everyone, and weeks always on the axis."""

from __future__ import annotations

from itertools import pairwise

import pandas as pd
import pytest

from forecast.charts import theme


def test_contrast_is_the_published_ratio():
    """Black on white is 21, a colour on itself 1, #767676 on white the known 4.54 (WCAG 2)."""
    assert theme.contrast_ratio("#000000", "#ffffff") == pytest.approx(21)
    assert theme.contrast_ratio("#355f8d", "#355f8d") == pytest.approx(1)
    assert theme.contrast_ratio("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize(("text", "ground"), theme.TEXT_ON_GROUND)
def test_text_meets_wcag_aa(text, ground):
    """Every text is at least 4.5 to 1 on its ground."""
    assert theme.contrast_ratio(text, ground) >= 4.5


@pytest.mark.parametrize(("mark", "ground"), theme.MARK_ON_GROUND)
def test_marks_meet_wcag_aa(mark, ground):
    """Every line and point that carries meaning is at least 3 to 1 on its ground."""
    assert theme.contrast_ratio(mark, ground) >= 3


def test_the_ramp_darkens_evenly():
    """Each step of the exposure ramp is darker than the one before: order survives grey print."""
    against_paper = [theme.contrast_ratio(c, theme.PAPER) for c in theme.EXPOSURE_RAMP]
    assert against_paper == sorted(against_paper)
    assert all(b / a > 1.1 for a, b in pairwise(against_paper))


@pytest.mark.parametrize("n_weeks", [1, 5, 16, 17, 60, 156])
def test_every_week_has_a_tick(n_weeks):
    """The axis holds each week once, whatever the span, and keeps them all."""
    weeks = pd.date_range("2023-12-04", periods=n_weeks, freq="7D")
    axis = theme.week_axis(weeks).to_dict()
    assert pd.to_datetime(axis["values"], unit="ms").tolist() == weeks.tolist()
    assert axis["tickCount"] >= n_weeks


def test_weeks_must_be_mondays_in_a_row():
    """A gap, another weekday or a missing column is refused with the reason."""
    weeks = pd.date_range("2024-01-01", periods=4, freq="7D")
    for wrong in (weeks.delete(2), weeks + pd.Timedelta(days=1), weeks[:0]):
        with pytest.raises(theme.ChartError, match="Mondays in a row"):
            theme.checked_weeks(pd.DataFrame({"week": wrong}), (), "a figure")
    with pytest.raises(theme.ChartError, match="observed must be there"):
        theme.checked_weeks(pd.DataFrame({"week": weeks}), ("observed",), "a figure")
