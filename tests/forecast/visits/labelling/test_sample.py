"""Drawing visits: strata, weights, the seed, what is kept to read the labels back."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.visits.labelling import LabellingError, design_csv, draw_sample, read_design
from forecast.visits.labelling.sample import allocate, drawn_visits, missing_numbers, strata


def draw(visits, n=100, seed=1):
    return draw_sample(visits, n, definition="shipped 1 abc", seed=seed)


def test_weights_give_every_verdict_its_visits_again(visits):
    """The sum of weights in a stratum is its number of visits, in all their number."""
    sample = draw(visits)
    held = strata(visits).value_counts()
    totals = sample.rows.groupby("stratum")["weight"].sum()
    assert totals.to_dict() == pytest.approx(held.to_dict())
    assert len(sample.rows) == 100


def test_rare_verdicts_and_small_branches_are_drawn(visits):
    """A twentieth of the visits is definite, a fifth of the sample; every branch and year is in."""
    sample = draw(visits)
    shares = sample.rows["stratum"].value_counts()
    assert shares["definite"] == 20
    assert shares["excluded"] == 15
    drawn = drawn_visits(sample, visits)
    seen = drawn.groupby([drawn["stratum"], drawn["branch"], drawn["date"].dt.year]).ngroups
    assert seen == 5 * 2 * 3


def test_the_draw_is_random_but_its_seed_tells_it(visits):
    """The same seed and visits, in whatever order, give the same sample; another one does not."""
    shuffled = visits.sample(frac=1.0, random_state=3)
    first, again, other = draw(visits), draw(shuffled), draw(visits, seed=2)
    pd.testing.assert_frame_equal(first.rows, again.rows)
    assert first.id == again.id != other.id
    assert set(first.rows["reference"]) != set(other.rows["reference"])


def test_the_order_of_the_sheet_tells_nothing_of_the_verdict(visits):
    """Verdicts are mixed: no stratum stands together."""
    order = draw(visits).rows["stratum"].to_numpy()
    changes = int((order[1:] != order[:-1]).sum())
    assert changes > 60  # some 80 % of 99 neighbours differ by chance


def test_visits_without_patient_or_verdict_are_not_drawn(visits):
    """Nothing of them can be labelled against a verdict."""
    some = visits.assign(
        dog=visits["dog"].where(visits.index % 2 == 0),
        certainty=visits["certainty"].where(visits.index % 3 == 0, ""),
    )
    drawn = drawn_visits(draw(some), some)
    assert drawn["dog"].notna().all()
    assert (drawn["certainty"] != "").all()


def test_fewer_visits_than_asked_for_are_all_drawn(visits):
    """Each then stands for itself."""
    few = visits.head(60)
    sample = draw(few, n=100)
    assert len(sample.rows) == 60
    assert (sample.rows["weight"] == 1).all()


def test_too_small_a_sample_and_no_visit_are_refused(visits):
    """In a sentence."""
    with pytest.raises(LabellingError, match="20 is the least"):
        draw(visits, n=5)
    with pytest.raises(LabellingError, match="hold no visit of a known patient"):
        draw(visits.assign(dog=None))


def test_every_visit_of_a_cell_has_the_same_chance(visits):
    """Over many seeds the drawn share of each certainty's visits is the share asked for."""
    few = visits.head(200)
    times = pd.Series(0, index=few["reference"])
    for seed in range(40):
        times[draw(few, n=50, seed=seed).rows["reference"]] += 1
    cells = [strata(few).to_numpy(), few["branch"].to_numpy(), few["date"].dt.year.to_numpy()]
    spread = times.groupby(cells).agg(["mean", "std", "count"])
    spread = spread[spread["count"] > 4]
    chance = spread["mean"] / 40
    # binomial: the standard deviation over visits is that of 40 draws of that chance
    assert (spread["std"] < 2.5 * np.sqrt(40 * chance * (1 - chance)) + 1).all()


def test_the_design_reads_back(visits):
    """Which visit each number is, and its weight, to the last digit."""
    sample = draw(visits)
    back = read_design(design_csv(sample).encode(), "design.csv")
    pd.testing.assert_frame_equal(back.rows, sample.rows, check_dtype=False)
    assert (back.id, back.definition, back.seed) == (sample.id, sample.definition, sample.seed)


def test_an_erased_visit_is_missing_and_the_rest_stays(visits):
    """Its number is told."""
    sample = draw(visits)
    gone = sample.rows.iloc[3]
    left = visits.loc[visits["reference"] != gone["reference"]]
    assert list(missing_numbers(sample, left)) == [gone["number"]]
    assert len(drawn_visits(sample, left)) == 99


@given(
    st.lists(st.tuples(st.floats(0.01, 1), st.integers(1, 50)), min_size=1, max_size=12),
    st.integers(0, 400),
)
def test_a_division_uses_all_and_overfills_nothing(cells, n):
    """It sums up, never exceeds a cell, and gives each one while there are enough."""
    want = np.array([one[0] for one in cells])
    there = np.array([one[1] for one in cells])
    n = min(n, int(there.sum()))
    sizes = allocate(want / want.sum(), there, n)
    assert sizes.sum() == n
    assert (sizes <= there).all()
    assert n < len(cells) or (sizes >= 1).all()
