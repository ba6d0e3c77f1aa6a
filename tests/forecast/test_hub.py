"""The long table that leaves the house, read back as any other reader would."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.hub import hub_table, write_hub_table
from models.scores import QUANTILE_LEVELS

COLUMNS = [
    "reference_date",
    "target",
    "horizon",
    "location",
    "target_end_date",
    "output_type",
    "output_type_id",
    "value",
]
KEY = COLUMNS[:-1]


@pytest.fixture(scope="module")
def table(issue, tmp_path_factory) -> pd.DataFrame:
    """Give the table of a real issue of two regions and 26 weeks, as text."""
    path = tmp_path_factory.mktemp("hub") / "forecast.csv"
    n_rows = write_hub_table(issue[1].forecast, path)
    assert [p.name for p in path.parent.iterdir()] == ["forecast.csv"]
    read = pd.read_csv(path, dtype=str, keep_default_na=False)
    assert len(read) == n_rows
    return read


def test_the_columns_are_those_of_the_open_table(table):
    """By name and in order."""
    assert list(table.columns) == COLUMNS


def test_every_number_has_one_row(table):
    """Two targets of 23 quantiles and the odds, for each week of each region; no key twice."""
    assert len(table) == 2 * 26 * (2 * len(QUANTILE_LEVELS) + 1)
    assert not table.duplicated(KEY).any()
    assert (table != "").all().all()


def test_levels_are_text_that_reads_back_as_the_levels(table):
    """No level is written with a tail of digits, or with a zero more in one row than in another."""
    quantiles = table[table["output_type"] == "quantile"]
    levels = quantiles["output_type_id"].unique()
    assert {float(level) for level in levels} == set(QUANTILE_LEVELS)
    assert all(len(level) <= 5 for level in levels)


def test_quantiles_rise_with_their_level(table):
    """For every target, week and region."""
    quantiles = table[table["output_type"] == "quantile"].astype(
        {"output_type_id": float, "value": float}
    )
    ordered = quantiles.sort_values("output_type_id")
    steps = ordered.groupby(["target", "horizon", "location"])["value"].diff().dropna()
    assert (steps >= 0).all()


def test_a_week_ends_on_its_sunday_and_the_first_one_holds_the_origin(table):
    """The origin is Wednesday, 29 June 2022: horizon 1 ends on Sunday, 3 July."""
    assert set(table["reference_date"]) == {"2022-06-29"}
    ends = table.astype({"horizon": int}).drop_duplicates("horizon").set_index("horizon")
    assert ends.loc[1, "target_end_date"] == "2022-07-03"
    assert ends.loc[26, "target_end_date"] == "2022-12-25"
    assert (pd.to_datetime(table["target_end_date"]).dt.day_of_week == 6).all()
    assert sorted(ends.index) == list(range(1, 27))


def test_values_are_those_of_the_issue(table, issue):
    """One quantile and one of the odds, looked up in the file."""
    forecast = issue[1].forecast
    row = table[
        (table["target"] == "wk flare pressure")
        & (table["output_type_id"] == "0.9")
        & (table["horizon"] == "7")
        & (table["location"] == "south")
    ]
    held = forecast["pressure_quantiles"].sel(quantile=0.9, region="south").isel(week=6)
    assert float(row["value"].item()) == pytest.approx(float(held), abs=1e-6)
    row = table[(table["output_type"] == "pmf") & (table["horizon"] == "7")]
    held = forecast["odds_high"].isel(week=6)
    assert row.set_index("location")["value"].astype(float).to_dict() == pytest.approx(
        {str(r): float(held.sel(region=r)) for r in held["region"].values}, abs=1e-6
    )


def test_an_origin_on_a_monday_is_in_horizon_1_too(make_issued):
    """The week that begins on the day of the origin."""
    issued = make_issued(np.zeros((20, 3)))
    issued.attrs["origin"] = "2023-03-06"
    found = hub_table(issued)
    first = found[found["horizon"] == 1]
    assert set(first["target_end_date"]) == {"2023-03-12"}


def test_odds_that_are_not_known_have_no_row(make_issued):
    """An empty value would be read as zero by some."""
    found = hub_table(make_issued(np.zeros((20, 3)), threshold=np.nan))
    assert set(found["output_type"]) == {"quantile"}


def test_without_visits_the_table_is_empty_with_its_columns(without_visits):
    """No row is made up."""
    found = hub_table(without_visits)
    assert found.empty
    assert list(found.columns) == COLUMNS


def test_a_region_whose_visits_are_not_known_has_no_row(issue):
    """Neither quantiles nor odds of it leave the house; the other region's stay."""
    forecast = issue[1].forecast.copy(deep=True)
    for name in ("visits_quantiles", "pressure_quantiles", "odds_high"):
        forecast[name] = forecast[name].where(forecast["region"] == "north")
    table = hub_table(forecast)
    assert set(table["location"]) == {"north"}
    assert len(table) == 26 * (2 * len(QUANTILE_LEVELS) + 1)
    assert table["value"].notna().all()
