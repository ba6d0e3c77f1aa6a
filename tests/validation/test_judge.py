"""Whoever brings data of their own gets a table and a JSON, or one clear sentence."""

import json
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from judge import main
from judged_files import read_counts, read_onsets
from onset_protocol import in_seasons
from weekly_protocol import REFERENCES, Protocol

N_WEEKS = 150


def _weeks(*, regions=("north", "south"), n_weeks=N_WEEKS, first=date(2019, 1, 7)) -> list[str]:
    rng = np.random.default_rng(3)
    days = [first + timedelta(days=7 * i) for i in range(n_weeks)]
    mean = 30 * np.exp(np.cos(2 * np.pi * np.arange(n_weeks) / 52.18))
    return ["week,count,region"] + [
        f"{day},{rng.poisson(m)},{region}"
        for region in regions
        for day, m in zip(days, mean, strict=True)
    ]


def _write(path: Path, lines: list[str]) -> Path:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_counts_become_a_table_and_a_json(tmp_path, capsys):
    """Every reference has its row, every region its own; the file that was judged is named."""
    file = _write(tmp_path / "counts.csv", _weeks())
    assert main(["counts", str(file), "--test-weeks", "30"]) == 0
    kept = json.loads((tmp_path / "counts.counts.json").read_text())
    first, by_series = kept["tables"][:2]
    assert [row[0] for row in first["rows"]] == list(REFERENCES)
    assert [row[0] for row in by_series["rows"]] == ["counts", "north", "south"]
    assert set(kept["files"]) == {"counts.csv"}
    assert kept["settings"]["test_weeks"] == 30
    assert "| climatology " in capsys.readouterr().out


def test_a_relative_score_is_a_ratio_of_means():
    """Losses of 1 and 3 against 4 and 4: one half; of the leads 1-4 a quarter, of 5-13 3/4."""
    losses = {"forepaw": (1.0, 3.0), **dict.fromkeys(REFERENCES, (4.0, 4.0))}
    scored = pd.DataFrame(
        {
            "origin": np.datetime64("2020-01-06"),
            "week": np.datetime64("2020-01-06") + np.timedelta64(7 * (lead - 1), "D"),
            "lead": lead,
            "region": "all",
            "model": model,
            "wis": wis,
            "within_50": 0.5,
            "within_90": 0.9,
        }
        for model, pair in losses.items()
        for lead, wis in zip((2, 6), pair, strict=True)
    )
    row = Protocol().table_by_reference(scored)["rows"][0]
    assert row[:3] == ["climatology", 0.25, 0.75]
    assert row[4] == 0.5


def test_a_week_without_a_row_is_not_known(tmp_path):
    """A lacking week and an empty cell are NaN; a zero is a zero."""
    lines = ["week,count", "2020-01-06,0", "2020-01-13,", "2020-01-27,4"]
    counts, findings = read_counts(_write(tmp_path / "c.csv", lines))
    np.testing.assert_array_equal(counts.values, [[0.0, np.nan, np.nan, 4.0]])
    assert any("2 of 4" in finding.sentence for finding in findings)


@pytest.mark.parametrize(
    ("week", "monday"),
    [("2020-W01", "2019-12-30"), ("2020-01-04", "2019-12-30"), ("2020-01-06", "2020-01-06")],
)
def test_weeks_are_named_by_their_monday(tmp_path, week, monday):
    """ISO 8601: 4 January lies in the first week; a Saturday ends the week of the Monday before."""
    counts, _ = read_counts(_write(tmp_path / "c.csv", ["week,count", f"{week},1"]))
    assert str(counts["week"].values[0])[:10] == monday


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        pytest.param(["week,cases", "2020-01-06,1"], "no column 'count'", id="no column"),
        pytest.param([""], "empty", id="empty"),
        pytest.param(["week,count"], "a header and no rows", id="no rows"),
        pytest.param(["week,count", "2020-W60,1"], "not a day of the calendar", id="no week"),
        pytest.param(["week,count", "2020-01-06,1.5"], "not a whole number", id="a rate"),
        pytest.param(["week,count", "2020-01-06,-1"], "not a number in range", id="below zero"),
        pytest.param(
            ["week,count", "2020-01-06,1", "2020-01-14,1", "2020-01-20,3"],
            "row 3 column week: 2020-01-14 is a Tuesday",
            id="another day of the week",
        ),
        pytest.param(["week,count", "2020-01-06,1"], "bring 260 weeks", id="too few weeks"),
    ],
)
def test_what_cannot_be_judged_is_told_in_a_sentence(tmp_path, capsys, lines, said):
    """Exit code 1, one sentence that names what is wrong, and nothing is left behind."""
    file = _write(tmp_path / "c.csv", lines)
    assert main(["counts", str(file)]) == 1
    told = capsys.readouterr().err
    assert said in told
    assert "Traceback" not in told
    assert [p.name for p in tmp_path.iterdir()] == ["c.csv"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        pytest.param(["counts", "nowhere.csv"], "cannot be read", id="no file"),
        pytest.param(["counts", "."], "cannot be read: is a directory", id="a folder"),
        pytest.param(["counts", "c.csv", "--keep", "no/where.json"], "--keep", id="no folder"),
        pytest.param(["counts", "c.csv", "--test-weeks", "5"], "at least 26 weeks", id="few weeks"),
        pytest.param(["onsets", "c.csv", "c.csv"], "no column 'site'", id="other columns"),
    ],
)
def test_a_wrong_word_is_told_in_a_sentence(tmp_path, monkeypatch, capsys, arguments, said):
    """The same, of what is typed."""
    monkeypatch.chdir(tmp_path)
    _write(tmp_path / "c.csv", _weeks(regions=("north",)))
    assert main(arguments) == 1
    assert said in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["c.csv"]


def test_a_region_of_zeros_is_refused(tmp_path, capsys):
    """A season cannot be learnt where nothing was counted; the region is named."""
    lines = _weeks(regions=("north",))
    lines += [f"{line.split(',')[0]},0,south" for line in lines[1:]]
    assert main(["counts", str(_write(tmp_path / "c.csv", lines)), "--test-weeks", "30"]) == 1
    assert "nothing was counted in south" in capsys.readouterr().err


def test_a_date_belongs_to_its_season():
    """Spring plants from 1 October: 1 March 2021 is day 151 of the season 2021, day 60 of the year.

    Cosmos, seen in September, from 1 March on; south of the equator half a year later.
    """
    dates = pd.DataFrame(
        {
            "region": "a",
            "species": ["cherry", "cosmos"],
            "date": pd.to_datetime(["2021-03-01", "2021-09-10"]),
        }
    )
    spring, autumn = in_seasons(dates).itertuples()
    assert (spring.year, spring.day, spring.doy) == (2021, 151, 60)
    assert (autumn.year, autumn.day) == (2021, 193)
    south = in_seasons(
        dates.assign(date=pd.to_datetime(["2021-09-01", "2021-03-10"])), southern=True
    )
    assert south["begin"].dt.strftime("%m-%d").to_list() == ["04-01", "09-01"]


def _onset_files(folder: Path, *, years=range(2001, 2018), sites=("a", "b")) -> list[str]:
    """Write made-up dates that follow a made-up spring, cooler or warmer from year to year."""
    rng = np.random.default_rng(11)
    days = pd.date_range(f"{years[0] - 1}-07-01", f"{years[-1]}-12-31")
    warmth = dict(zip(range(years[0] - 1, years[-1] + 1), rng.normal(0, 1.5, 30), strict=False))
    dates, weather = ["site,lat,lon,year,day"], ["site,date,tmin,tmax"]
    for number, site in enumerate(sites):
        moved = np.array([warmth[day.year] for day in days])
        mean = 10 - 12 * np.cos(2 * np.pi * (days.day_of_year - 20) / 365.25) + moved + number
        mean = np.asarray(mean) + rng.normal(0, 2, len(days))
        weather += [
            f"{site},{d:%Y-%m-%d},{m - 5:.1f},{m + 5:.1f}" for d, m in zip(days, mean, strict=True)
        ]
        for year in years:
            above = np.maximum(mean[days.year == year] - 5, 0)
            day = int(np.argmax(np.cumsum(above) > 150)) + 1
            dates.append(f"{site},37.{number},127.{number},{year},{day}")
    return [
        str(_write(folder / "dates.csv", dates)),
        str(_write(folder / "weather.csv", weather)),
    ]


def test_dates_without_weather_are_told_and_left_out(tmp_path):
    """A site without weather, a day 400, a value beyond the plausible, two rows of one season."""
    dates, weather = _onset_files(tmp_path, years=range(2001, 2004))
    with open(dates, "a", encoding="utf-8") as more:
        more.write("c,37.0,127.0,2001,100\na,37.0,127.0,2001,90\nb,37.1,127.1,2009,400\n")
    with open(weather, "a", encoding="utf-8") as more:
        more.write("a,2004-01-01,-999,-999\n")
    read, seasons, findings = read_onsets(Path(dates), Path(weather))
    assert len(seasons) == 6
    assert list(read["region"].values) == ["a", "b"]
    said = " ".join(finding.sentence for finding in findings)
    for part in ("site without weather: 'c'", "'400'", "repeats an earlier row", "'-999'"):
        assert part in said


@pytest.mark.long
def test_dates_become_tables_and_a_json(tmp_path):
    """Plants that follow a heat sum: the model leaves less error than the mean date, surely so."""
    dates, weather = _onset_files(tmp_path)
    assert main(["onsets", dates, weather, "--issued", "02-01,12-24"]) == 0
    kept = json.loads((tmp_path / "dates.onsets.json").read_text())
    hindcast, in_season = kept["tables"]
    low, high = hindcast["rows"][0][6:8]
    assert 0 < low < high < 1
    assert [row[1] for row in in_season["rows"]] == ["02-01", "12-24"]
    assert any("there are 2 of them" in note for note in kept["notes"])
