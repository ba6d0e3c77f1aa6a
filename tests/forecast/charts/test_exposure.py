"""The exposure calendar shows what it was given, earliest peak first."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.charts.exposure import exposure_chart, exposure_text
from forecast.charts.theme import ChartError

TITLE = "Birch comes first, grasses follow."


def make_frame(**extra):
    week = pd.date_range("2024-04-01", periods=5, freq="7D")
    values = {
        "grasses": [0.0, 0.0, 0.1, 0.4, 0.2],
        "birch": [0.1, 0.5, 0.2, 0.0, np.nan],
        "moulds": [0.0] * 5,
    }
    parts = [
        pd.DataFrame({"week": week, "allergen": name, "exposure": v}) for name, v in values.items()
    ]
    return pd.concat(parts).assign(**extra)


@pytest.fixture(scope="module")
def spec():
    return exposure_chart(make_frame(), title=TITLE, source="Source line.").to_dict()


def test_the_cells_hold_the_values_given(spec):
    """Every allergen and week is a cell with its exposure; the unknown one stays empty."""
    cells = pd.DataFrame(spec["datasets"]["cells"])
    frame = make_frame()
    assert cells["allergen"].tolist() == frame["allergen"].tolist()
    assert cells["week"].tolist() == [f"{w:%Y-%m-%d}T00:00:00Z" for w in frame["week"]]
    np.testing.assert_array_equal(cells["exposure"].astype(float), frame["exposure"])


def test_shade_is_the_share_of_the_usual_peak():
    """With a usual peak of 0.8 an exposure of 0.4 is half; without one, a row's top is whole."""
    own = exposure_chart(make_frame(), title=TITLE, source="s").to_dict()["datasets"]["cells"]
    usual = exposure_chart(make_frame(usual_peak=0.8), title=TITLE, source="s").to_dict()
    assert own[3]["share"] == pytest.approx(0.4 / 0.4)
    assert usual["datasets"]["cells"][3]["share"] == pytest.approx(0.4 / 0.8)


def test_nothing_let_loose_is_zero_and_not_known_is_empty(spec):
    """Zero exposure shades as zero, an unknown week as no share at all."""
    cells = pd.DataFrame(spec["datasets"]["cells"])
    assert (cells.loc[cells["allergen"] == "moulds", "share"] == 0).all()
    unknown = cells[cells["exposure"].isna()]
    assert len(unknown) == 1
    assert unknown["share"].isna().all()
    assert any("not known" in line for line in spec["title"]["subtitle"])


def test_rows_run_from_the_earliest_peak(spec):
    """Birch peaks before grasses; an allergen without exposure comes last."""
    assert [row["allergen"] for row in spec["datasets"]["peaks"]] == ["birch", "grasses", "moulds"]
    words = [row["words"] for row in spec["datasets"]["peaks"]]
    assert words == ["peak 8 Apr", "peak 22 Apr", "no peak here"]


def test_the_words_name_each_peak():
    """The text alternative gives every allergen's highest week."""
    text = exposure_text(make_frame(), title=TITLE)
    told = (
        "grasses: highest in the week of 22 Apr 2024.",
        "birch: highest of those known in the week of 8 Apr 2024, not known in 1 of them.",
        "moulds: no exposure in these weeks.",
    )
    for part in (TITLE, *told):
        assert part in text


def test_a_strip_that_is_not_known_is_not_called_free_of_exposure():
    """All five weeks unknown: not known; one unknown and four without: no peak is claimed."""
    frame = make_frame().reset_index(drop=True)
    moulds = frame["allergen"] == "moulds"
    frame.loc[moulds, "exposure"] = np.nan
    assert "moulds: not known in these weeks." in exposure_text(frame, title=TITLE)
    spec = exposure_chart(frame, title=TITLE, source="s").to_dict()
    words = {row["allergen"]: row["words"] for row in spec["datasets"]["peaks"]}
    assert words["moulds"] == "not known"
    frame.loc[moulds, "exposure"] = [0.0, 0.0, np.nan, 0.0, 0.0]
    text = exposure_text(frame, title=TITLE)
    assert "moulds: no exposure in these weeks, not known in 1 of them." in text


def test_wrong_rows_are_refused():
    """A doubled row or a negative exposure is refused, naming allergen and week."""
    doubled = pd.concat([make_frame(), make_frame().iloc[:1]])
    with pytest.raises(ChartError, match="'grasses' twice in the week of 1 Apr 2024"):
        exposure_chart(doubled, title=TITLE, source="s")
    negative = make_frame().reset_index(drop=True)
    negative.loc[7, "exposure"] = -0.1
    with pytest.raises(ChartError, match=r"-0\.1 for 'birch' in the week of 15 Apr 2024"):
        exposure_chart(negative, title=TITLE, source="s")
