"""The command line as README's user meets it, from an empty folder to a plan."""

from __future__ import annotations

import logging
import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
import xarray as xr

from forecast.climate import open_climate
from forecast.issuing import Issue, latest_issue
from forecast.practice import open_practice
from forecast.records import open_records
from forecast.records.dogs import dogs
from forecast.records.issues import issues
from forecast.records.plans import plans
from forecast.records.runs import runs
from forecast.records.vintages import vintages
from forecast.records.visits import visits
from jobs.console import month_line
from jobs.issue import issue
from jobs.learn import learn
from jobs.opening import open_all

AS_OF = "2022-06-27"


def newest(folder: Path, as_of: date | None = None) -> Issue:
    practice = open_practice(folder)
    return latest_issue(practice, open_records(practice), as_of=as_of)


def issue_without_figures(folder: Path, day: str) -> Issue:
    """Do what `forepaw issue` does, but for the drawing, which takes most of its time."""
    practice = open_practice(folder)
    records, climate = open_all(practice)
    say, origin = (lambda _: None), date.fromisoformat(day)
    model, known = learn(practice, records, climate, origin=origin, say=say)
    return issue(practice, records, climate, model=model, known=known, say=say)


@pytest.fixture(scope="module")
def tried_on(filled, tmp_path_factory) -> Path:
    """Give a copy of the practice for commands that are refused: those are written down as runs."""
    return Path(shutil.copytree(filled[0], tmp_path_factory.mktemp("tried_on") / "practice"))


# ------------------------------------------------------------------------------ help
@pytest.mark.parametrize(
    "words",
    [[], ["demo"], ["init"], ["issue"], ["plan"], ["import"], ["import", "visits"], ["allergens"]],
    ids=lambda words: " ".join(words) or "forepaw",
)
def test_every_command_explains_itself(forepaw, words):
    """With --help: exit code 0, a usage line, and nothing on standard error."""
    done = forepaw(*words, "--help")
    assert done.code == 0
    assert "Usage: " in done.out
    assert done.err == ""


def test_help_loads_nothing_heavy():
    """In a process of its own: no pandas, no xarray, no chart, no database, no model."""
    code = (
        "import sys; sys.argv = ['forepaw', '--help']\n"
        "from jobs.cli import main\n"
        "try:\n    main()\n"
        "except SystemExit as ended:\n    assert not ended.code\n"
        "print('loaded', *sorted({name.split('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.splitlines()[-1].split()[1:])
    assert "typer" in loaded
    heavy = {"numpy", "pandas", "xarray", "scipy", "sklearn", "altair", "sqlalchemy", "icechunk"}
    assert not loaded & (heavy | {"zarr", "rich", "numba", "pydantic"})


# ------------------------------------------------------------------------------ the way of README
def test_from_an_empty_folder_to_a_forecast(filled):
    """Every step ends well, says what it did, and warns of nothing."""
    _, done = filled
    assert [step.code for step in done] == [0] * len(done)
    assert all(step.told == [] for step in done)
    said = [step.out for step in done]
    assert "Next, in " in said[0]
    assert "daily weather of north, south from 2004-01-01 to 2022-06-25" in said[1]
    assert "18 flowering dates of 1 plant: 18 new" in said[2]
    assert "branches.csv: 2 branches of 2 rows imported" in said[3]
    assert "dogs.csv: 60 dogs of 60 rows imported" in said[4]


def test_a_forecast_names_the_regions_the_odds_and_the_seasons(filled):
    """As of a past day it is a hindcast; late weather is said; figures and table are written."""
    folder, done = filled
    said = done[-1].out
    assert "Forecast as of 2022-06-27 (hindcast, issue" in said
    assert "A hindcast: made after that day" in said
    assert "Record: no week of issued forecasts can be held against its counts yet; skill" in said
    assert "is held until 25 Jun 2022 only: past years stand in for the day between." in said
    for words in ("Northton: ", "Southby: ", "Odds of a high week", "Grass pollen", "not listed"):
        assert words in said
    made = newest(folder)
    written = {path.name for path in (folder / "outbox" / made.id).iterdir()}
    tables = {"credits.txt", "beside.json", "evidence.json", "forecast.csv", "forecast.txt"}
    assert written == tables | {"season-1.svg", "season-1.png"} | {
        f"{figure}-{region}.{form}"
        for figure in ("visits", "years", "exposure", "why")
        for region in ("north", "south")
        for form in ("svg", "png")
    }


def test_a_plan_is_proposed_for_every_living_dog_and_kept(practice_folder, forepaw):
    """52 of the 60 are alive; a named dog comes with all its reasons, the others in the file."""
    done = forepaw("plan", "--practice", practice_folder)
    assert (done.code, done.told) == (0, [])
    assert "A vet who has examined the dog decides" in done.out
    assert "not a prescription" in done.out
    records = open_records(open_practice(practice_folder))
    gone = {dog.id for dog in dogs(records, on=date.fromisoformat(AS_OF)) if dog.status == "dead"}
    kept = plans(records)
    assert len(gone) == 8
    assert len(kept) == 52
    assert not gone & {plan.dog_id for plan in kept}
    file = practice_folder / "outbox" / newest(practice_folder).id / "plans.csv"
    assert len(pd.read_csv(file)) == 52
    assert "Snortlewick" not in file.read_text()
    file.unlink()
    one = forepaw("plan", "--practice", practice_folder, "--dog", "D03")
    assert not file.exists()
    assert "Snortlewick3, D03 " in one.out
    assert "more. " not in one.out
    assert len(plans(records)) == 53


def test_all_proposals_are_counted_and_the_pressing_ones_come_first(practice_folder, forepaw):
    """D05 itches now and is named; of those to be examined it is counted what they lack."""
    file = practice_folder.parent / "scores.csv"
    file.write_text("dog,date,pvas\nD05,2022-06-26,8.5\n")
    forepaw("import", "scores", file, "--practice", practice_folder)
    said = forepaw("plan", "--practice", practice_folder).out
    assert "Proposals for 52 dogs" in said
    assert "see the dog now: 1 dog Snortlewick5, D05 itch score 8.5 on 2022-06-26" in said
    examined = said[said.index("examination first, no dose: 51 dogs") :]
    assert "D00" not in examined
    assert "what holds dogs up not on record too old speaks against" in examined
    assert "each dog, and what it needs, in plans.csv" in examined


# ------------------------------------------------------------------------------ again
def everything(folder: Path, records, climate) -> tuple:
    n_dogs = len(dogs(records, on=date.fromisoformat(AS_OF)))
    return len(visits(records)), n_dogs, climate.head(), newest(folder).id


def test_importing_everything_again_changes_nothing(practice_folder, exports, forepaw):
    """Not a row, not a snapshot; and the next forecast of the same day is the same issue."""
    practice = open_practice(practice_folder)
    records, climate = open_records(practice), open_climate(practice)
    before = everything(practice_folder, records, climate)
    files = exports("2999-01-01")
    for kind in ("weather", "flowering", "branches", "dogs", "visits", "therapies", "facts"):
        file = files / ("weather.nc" if kind == "weather" else f"{kind}.csv")
        done = forepaw("import", kind, file, "--practice", practice_folder)
        assert done.code == 0
        if kind not in ("weather", "flowering"):
            assert "was imported before" in done.out
    issue_without_figures(practice_folder, AS_OF)
    assert everything(practice_folder, records, climate) == before
    assert len(list((practice_folder / "issued").glob("*.nc"))) == 1


@pytest.mark.long
def test_a_forecast_as_of_an_earlier_day_is_that_of_a_folder_that_never_held_more(
    practice_folder, exports, tmp_path, follow
):
    """A year of weather, flowering, visits, doses and facts too many: to the last bit the same."""
    day = "2021-06-28"
    with_more = issue_without_figures(practice_folder, day)
    bare = tmp_path / "bare"
    follow(bare, exports(day))
    without = issue_without_figures(bare, day)
    assert with_more.cut.origin == without.cut.origin == date.fromisoformat(day)
    assert with_more.has_visits
    xr.testing.assert_equal(with_more.forecast, without.forecast)
    later = newest(practice_folder).forecast
    assert not later["threshold"].equals(with_more.forecast["threshold"])


# ------------------------------------------------------------------------------ without visits
def test_without_visits_there_are_season_dates_and_nothing_else(exports, tmp_path, forepaw, follow):
    """Weather alone: said, no table, no fan, no plan; and plan says why not."""
    folder = tmp_path / "practice"
    follow(folder, exports("2999-01-01"), ["weather"])
    done = forepaw("issue", "--practice", folder, "--as-of", AS_OF)
    assert (done.code, done.told) == (0, [])
    assert "Exposure and season dates only" in done.out
    assert "since no visits are held." in done.out
    assert "Grass pollen" in done.out
    assert "flare visits in the week" not in done.out
    written = {path.name for path in (folder / "outbox").rglob("*.*")}
    figures = {f"exposure-{r}.{f}" for r in ("north", "south") for f in ("svg", "png")}
    assert written == {"credits.txt", "beside.json", "evidence.json", "forecast.txt"} | figures
    (words,) = (folder / "outbox").rglob("forecast.txt")
    assert "no plans, since no visits are held." in words.read_text()
    plan = forepaw("plan", "--practice", folder)
    assert plan.code == 0
    assert "No plans: without visits nothing is known of when these dogs flare" in plan.out
    assert plans(open_records(open_practice(folder))) == []


@pytest.mark.long
def test_a_region_without_visits_is_not_known_and_the_other_is_forecast(
    exports, tmp_path, forepaw, follow
):
    """Only the branch of the north reports: south is not called quiet, nor forecast by the north.

    Its exposure and season dates are given all the same.
    """
    folder, files = tmp_path / "practice", exports("2999-01-01")
    follow(folder, files, ["weather", "branches"])
    frame = pd.read_csv(files / "visits.csv", dtype=str, keep_default_na=False)
    frame[frame["branch"] == "n1"].to_csv(tmp_path / "visits.csv", index=False)
    forepaw("import", "visits", tmp_path / "visits.csv", "--practice", folder)
    done = forepaw("issue", "--practice", folder, "--as-of", AS_OF)
    assert (done.code, done.told) == (0, [])
    told = "Southby: flare visits are not known, as no week of visits of this region is on record"
    assert told in done.out
    assert "Southby ????" in done.out
    assert "Southby not known" in done.out  # its flare season
    assert "Northton: flare visits are not known" not in done.out
    outbox = folder / "outbox" / newest(folder).id
    assert set(pd.read_csv(outbox / "forecast.csv")["location"]) == {"north"}
    assert told in (outbox / "forecast.txt").read_text()
    names = {path.stem for path in outbox.glob("*.svg")}
    of_north = {f"{kind}-north" for kind in ("visits", "years", "exposure", "why")}
    assert names == {*of_north, "exposure-south", "season-1"}
    plan = forepaw("plan", "--practice", folder)
    assert (plan.code, plan.told) == (0, [])


# ------------------------------------------------------------------------------ who is named where
def test_no_name_reaches_the_ledger_the_log_or_what_was_found(
    exports, tmp_path, forepaw, follow, caplog
):
    """Not when all goes well, and not when a row or a whole file of names is refused."""
    caplog.set_level(logging.DEBUG)
    folder, files = tmp_path / "practice", exports("2999-01-01")
    follow(folder, files, ["branches", "dogs", "visits"])
    bad = tmp_path / "Quillfeather.csv"
    bad.write_text("dog,name,owner,species,status\nD1,Snortlewick,Quillfeather,dog,Snortlewick\n")
    assert forepaw("import", "dogs", bad, "--practice", folder).code == 2
    bad.write_text("dog,name,owner,status\nD1,Rex,Quillfeather,Snortlewick\nD2,Mo,Ann,active\n")
    assert forepaw("import", "dogs", bad, "--practice", folder).code == 0
    told = [run.result for run in runs(open_records(open_practice(folder)))]
    assert len(told) == 5
    kept = [path.read_text() for path in (folder / "archive").glob("findings*")]
    assert kept
    for text in (*told, caplog.text):
        assert "Quillfeather" not in text
        assert "Snortlewick" not in text
    # what was found is kept in the practice's own folder, without the cells of a register
    assert all("Snortlewick" not in text for text in kept)


# ------------------------------------------------------------------------------ refusals
def refused(done) -> str:
    """Return the one sentence of a refusal."""
    assert done.code == 2
    assert len(done.told) == 1, done.err
    assert done.told[0].startswith("forepaw: ")
    return done.told[0]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["plan", "--dog", "D3"], "dog 'D3', which is not on record; did you mean D"),
        (["plan", "--dog", "D06"], "D06, which is recorded as dead"),
        (["plan", "--therapy", "steroid"], "a therapy 'steroid' was asked; known are"),
        (["plan", "--as-of", "2022-01-31"], "no forecast from 2022-01-31 or before"),
        (["plan", "--as-of", "2024-01-31"], "use the newest issue"),
        (["issue", "--as-of", "2030-01-01"], "ask for an earlier day, such as --as-of 2022-06-26"),
        (["issue", "--as-of", "2003-01-01"], "the store begins on 2004-01-01"),
        (["issue", "--as-of", "2012-01-01"], "complete past years"),
        (["import", "visits", "nowhere.csv"], "nowhere.csv cannot be read: no such file"),
        (["import", "dogs", "."], ". cannot be read: is a directory"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_what_cannot_be_done_is_one_sentence_with_the_way_out(tried_on, forepaw, words, says):
    """Exit code 2, no traceback, no plan and no forecast more than before."""
    records = open_records(open_practice(tried_on))
    before = issues(records), plans(records), vintages(records)
    assert says in refused(forepaw(*words, "--practice", tried_on))
    assert (issues(records), plans(records)) == before[:2]
    # a day whose weather does to count but not to forecast leaves its counts: once, and true ones
    counted = vintages(records)
    assert set(before[2]) <= set(counted)
    refused(forepaw(*words, "--practice", tried_on))
    assert vintages(records) == counted


def test_too_little_weather_is_refused_before_anything_is_counted(practice_folder, forepaw):
    """No vintage of counts, no model, no file is left by a forecast that was refused."""
    practice = open_practice(practice_folder)
    records = open_records(practice)
    held = [len(vintages(records)), *map(len, map(list, _files(practice_folder)))]
    sentence = refused(forepaw("issue", "--practice", practice_folder, "--as-of", "2022-09-01"))
    assert "at most 31 days may be missing" in sentence
    assert [len(vintages(records)), *map(len, map(list, _files(practice_folder)))] == held


def _files(folder: Path) -> list[list[Path]]:
    return [sorted((folder / name).rglob("*")) for name in ("issued", "trained", "outbox")]


@pytest.mark.parametrize("day", ["2023-13-01", "01/02/2023", "yesterday", "2023-02-30"])
def test_a_day_that_is_none_is_refused_before_anything_is_done(tried_on, forepaw, day):
    """What was written, and how a day is written; one sentence, and no lesson in options."""
    for words in (["issue"], ["plan"], ["allergens"]):
        sentence = refused(forepaw(*words, "--practice", tried_on, "--as-of", day))
        assert sentence == (
            f"forepaw: the day '{day}' was given, which is none; write it as YYYY-MM-DD, such as "
            "2023-03-01"
        )
    assert "'never' was given" in refused(forepaw("demo", "--as-of", "never"))


def test_a_practice_without_a_forecast_is_told_how_to_make_one(exports, tmp_path, forepaw, follow):
    """Plans come from a forecast only."""
    follow(tmp_path / "practice", exports("2999-01-01"), [])
    sentence = refused(forepaw("plan", "--practice", tmp_path / "practice"))
    assert "make one with `forepaw issue`" in sentence


def test_an_issue_cut_in_half_is_refused_and_issuing_again_mends_it(practice_folder, forepaw):
    """Nothing is planned from half a forecast."""
    made = newest(practice_folder)
    whole = made.file.read_bytes()
    made.file.write_bytes(whole[: len(whole) // 2])
    assert "cut short" in refused(forepaw("plan", "--practice", practice_folder))
    issue_without_figures(practice_folder, AS_OF)
    assert newest(practice_folder).id == made.id


def test_broken_records_are_one_sentence(practice_folder, forepaw):
    """A database file that is none."""
    for name in ("records.sqlite-wal", "records.sqlite-shm"):
        (practice_folder / name).unlink(missing_ok=True)
    (practice_folder / "records.sqlite").write_bytes(b"dear diary " * 500)
    sentence = refused(forepaw("plan", "--practice", practice_folder))
    assert "file is not a database" in sentence


def test_a_region_added_to_the_settings_needs_its_weather_first(practice_folder, forepaw):
    """The sentence names it and the command."""
    settings = practice_folder / "practice.toml"
    added = settings.read_text().replace('id = "south"', 'id = "east"')
    settings.write_text(added)
    sentence = refused(forepaw("issue", "--practice", practice_folder, "--as-of", AS_OF))
    assert "no weather is held for region east: fetch it with `forepaw pull`" in sentence


def test_init_and_demo_touch_nothing_that_is_not_theirs(tmp_path, forepaw, filled):
    """A file, a folder under a file, a practice in use: each refused, nothing changed."""
    letter = tmp_path / "letter.txt"
    letter.write_text("dear diary")
    assert "is not an empty folder" in refused(forepaw("init", letter))
    assert "cannot be made: not a directory" in refused(forepaw("init", letter / "practice"))
    assert "holds something that is no demo" in refused(forepaw("demo", "--dir", letter))
    # invented too, and yet somebody's own
    assert "holds something that is no demo" in refused(forepaw("demo", "--dir", filled[0]))
    assert "is not an empty folder" in refused(forepaw("init", filled[0]))
    assert letter.read_text() == "dear diary"
    assert newest(filled[0]).has_visits


def test_a_demo_of_a_day_that_cannot_be_leaves_an_earlier_one_alone(tmp_path, forepaw):
    """The days there are stand in the sentence."""
    forepaw("init", tmp_path / "demo")
    settings = tmp_path / "demo" / "practice.toml"
    settings.write_text(settings.read_text().replace("invented = false", "invented = true"))
    (tmp_path / "demo" / "to_come").mkdir()
    sentence = refused(forepaw("demo", "--dir", tmp_path / "demo", "--as-of", "1999-01-01"))
    assert "choose one from 20" in sentence
    assert settings.exists()


# ------------------------------------------------------------------------------ print
def test_month_names_stand_over_their_first_week_and_never_run_into_each_other():
    """From mid-May: there is no room for May before June."""
    line = month_line(pd.date_range("2023-05-15", periods=52, freq="7D"))
    names = [f"{day:%b}" for day in pd.date_range("2023-06-01", periods=12, freq="MS")]
    assert line.split() == names
    # weeks of 15 and 22 May lie before that of 29 May, whose Thursday is 1 June
    assert line.index("Jun") == 2
    line = month_line(pd.date_range("2023-05-01", periods=52, freq="7D"))
    assert line.startswith("May Jun")
