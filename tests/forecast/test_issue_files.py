"""The two files of an issue: one kept for ever, one of draws that may go without harm to it."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime

import numpy as np
import pytest
import xarray as xr

from forecast.array_files import ArrayFileError, read_tree
from forecast.issue_files import draws_file, drop_draws, parted
from forecast.issuing import Issue, make_issue, read_issue
from forecast.practice import open_practice
from models.scores import QUANTILE_LEVELS

NOW = datetime(2022, 6, 28, 23, tzinfo=UTC)
DRAWN = {"visits", "pressure", "consultations", "exposure_ahead"}


@pytest.fixture
def made(issue, tmp_path) -> Issue:
    """Give an issue in a folder of its own."""
    practice = open_practice(shutil.copytree(issue[0].folder, tmp_path / "copy"), now=NOW)
    return read_issue(practice.issued_folder / issue[1].file.name)


def test_the_draws_of_every_week_stand_in_a_file_of_their_own(made):
    """Season dates by draw are few and stay; nothing is in both files, nothing in neither."""
    kept, draws = read_tree(made.file).to_dataset(), read_tree(draws_file(made.file)).to_dataset()
    assert set(draws.data_vars) == DRAWN
    assert set(kept.data_vars) | DRAWN == set(made.forecast.data_vars)
    assert not set(kept.data_vars) & DRAWN
    assert {"season_start", "odds_high", "visits_quantiles", "visits_mean"} <= set(kept.data_vars)
    xr.testing.assert_identical(made.forecast[sorted(DRAWN)].drop_attrs(deep=False), draws)


def test_without_its_draws_an_issue_is_the_same_issue(made):
    """Id, hash and all that is kept; only the draws are missing, and that is told."""
    size = draws_file(made.file).stat().st_size
    assert drop_draws([made.file]) == size
    assert drop_draws([made.file]) == 0
    bare = read_issue(made.file)
    assert (bare.id, bare.hash, bare.cut, bare.has_visits) == (made.id, made.hash, made.cut, True)
    assert (made.has_draws, bare.has_draws) == (True, False)
    xr.testing.assert_identical(bare.forecast, parted(made.forecast)[0])
    assert bare.knows_visits_of("north")


def test_what_is_kept_of_the_draws_is_their_mean_and_their_quantiles(made):
    """Taken anew for one place and week by numpy."""
    one = made.forecast.sel(region="north").isel(week=5)
    assert float(one["visits_mean"]) == pytest.approx(np.mean(one["visits"].values))
    for drawn, quantiles in (
        (one["pressure"].values, one["pressure_quantiles"]),
        (one["exposure_ahead"].sel(allergen="grasses").values,
         one["exposure_quantiles"].sel(allergen="grasses")),
    ):  # fmt: skip
        expected = np.quantile(drawn, QUANTILE_LEVELS)
        np.testing.assert_allclose(quantiles.values, expected, rtol=1e-6)


def test_draws_that_were_changed_or_are_of_another_issue_are_refused(made):
    """Whole or not: they must be those whose hash the issue tells."""
    drawn = draws_file(made.file)
    whole = drawn.read_bytes()
    drawn.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ArrayFileError, match=f"draws/{made.file.name} was cut short or changed"):
        read_issue(made.file)
    shutil.copy(made.file, drawn)
    with pytest.raises(ArrayFileError, match=f"draws/{made.file.name} was changed after"):
        read_issue(made.file)


def test_issuing_the_same_again_brings_its_draws_back_and_leaves_the_rest(made, known, model):
    """Also where they are damaged; the first file keeps its bytes, and so its moment and run."""
    practice = open_practice(made.file.parents[1], now=NOW)
    before, drawn = made.file.read_bytes(), draws_file(made.file)
    later = datetime(2022, 8, 1, tzinfo=UTC)
    for spoil in (drawn.unlink, lambda: drawn.write_bytes(b"half")):
        spoil()
        again = make_issue(practice, model, known, issued_at=later, run_id="another")
        assert (again.id, again.issued_at) == (made.id, made.issued_at)
        xr.testing.assert_identical(again.forecast, made.forecast)
        assert made.file.read_bytes() == before
