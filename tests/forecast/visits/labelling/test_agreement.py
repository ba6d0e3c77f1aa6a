"""What labels say of a definition, and what a known truth says of it."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from forecast.visits.labelling import LabellingError, agree, draw_sample, score_against_truth
from forecast.visits.labelling.sample import drawn_visits

DEFINITION = "shipped 1 abc"


@pytest.fixture(scope="module")
def sample(visits):
    return draw_sample(visits, 400, definition=DEFINITION, seed=1)


@pytest.fixture(scope="module")
def labels(visits, sample):
    """Label every drawn visit by its truth; a second vet errs on every fifth."""
    drawn = drawn_visits(sample, visits)
    true = np.where(drawn["truth"], "yes", "no")
    wrong = np.where(drawn["truth"], "no", "yes")
    second = np.where(drawn["number"] % 5 == 0, wrong, true)
    one = pd.DataFrame({"number": drawn["number"], "labeller": "AB", "flare": true})
    return one, one.assign(labeller="CD", flare=second)


def overall(table: pd.DataFrame) -> pd.Series:
    return table.loc[table["group"] == "all visits"].iloc[0]


def test_truth_by_hand():
    """Three flares of which two are found, one found wrongly: 2/3 and 2/3; too few to be shown."""
    visits = pd.DataFrame(
        {
            "kind": ["itch flare", "itch flare", "other", "itch flare", "other"],
            "date": pd.Timestamp("2024-05-01"),
            "branch": "a",
        }
    )
    truth = pd.Series([True, True, True, False, False])
    assert math.isnan(overall(score_against_truth(visits, truth))["sensitivity"])
    ten = pd.concat([visits] * 10, ignore_index=True)
    row = overall(score_against_truth(ten, pd.concat([truth] * 10, ignore_index=True)))
    assert row["sensitivity"] == pytest.approx(2 / 3)
    assert row["predictive_value"] == pytest.approx(2 / 3)
    assert row["specificity"] == pytest.approx(1 / 2)
    assert (row["visits"], row["flares"], row["found"]) == (50, 30, 30)


def test_truth_is_told_by_year_branch_and_vet(visits):
    """One row each; a visit without a vet is in no vet's row."""
    table = score_against_truth(visits, visits["truth"])
    assert table["group"].value_counts().to_dict() == {
        "all visits": 1, "year": 3, "branch": 2, "vet": 2,
    }  # fmt: skip
    by_branch = table.loc[table["group"] == "branch", "visits"]
    assert by_branch.sum() == len(visits)
    by_vet = table.loc[table["group"] == "vet", "visits"]
    assert by_vet.sum() == (visits["vet"] != "").sum()


def test_a_missing_truth_is_refused(visits):
    """Not known is not no."""
    with pytest.raises(LabellingError, match="truth of 1 visits is not given"):
        score_against_truth(visits, visits["truth"].iloc[1:])


def test_a_fully_labelled_sample_tells_the_truth_within_its_interval(visits, sample, labels):
    """Weighted back to all visits."""
    told = overall(agree(labels[0], sample, visits, definition=DEFINITION).table)
    true = overall(score_against_truth(visits, visits["truth"]))
    for name in ("sensitivity", "predictive_value"):
        assert told[f"{name}_low"] <= true[name] <= told[f"{name}_high"]
    # unweighted, sensitivity would be far too good: missed flares hide in the large strata
    drawn = drawn_visits(sample, visits)
    flares = drawn.loc[drawn["truth"]]
    unweighted = (flares["kind"] == "itch flare").mean()
    assert abs(told["sensitivity"] - true["sensitivity"]) < abs(unweighted - true["sensitivity"])


def test_labelling_every_visit_is_the_truth(visits):
    """A sample of all: the same shares as with a known truth."""
    few = visits.head(500).reset_index(drop=True)
    whole = draw_sample(few, 500, definition=DEFINITION, seed=1)
    drawn = drawn_visits(whole, few)
    answers = pd.DataFrame(
        {
            "number": drawn["number"],
            "labeller": "AB",
            "flare": np.where(drawn["truth"], "yes", "no"),
        }
    )
    told = agree(answers, whole, few, definition=DEFINITION).table
    true = score_against_truth(few, few["truth"])
    for name in ("sensitivity", "predictive_value", "specificity"):
        np.testing.assert_allclose(told[name], true[name])


def test_unlabelled_visits_are_made_up_for_by_their_like(visits, sample, labels):
    """Half of one verdict left blank changes no expectation: its weights double."""
    drawn = drawn_visits(sample, visits)
    none = drawn.loc[drawn["stratum"] == "none", "number"].iloc[::2]
    some = labels[0].loc[~labels[0]["number"].isin(none)]
    full = overall(agree(labels[0], sample, visits, definition=DEFINITION).table)
    told = overall(agree(some, sample, visits, definition=DEFINITION).table)
    assert told["predictive_value"] == pytest.approx(full["predictive_value"])
    assert told["specificity"] == pytest.approx(full["specificity"], abs=0.02)


def test_unsure_labels_are_left_out_and_counted(visits, sample, labels):
    """They say neither yes nor no."""
    unsure = labels[0].assign(flare=labels[0]["flare"].where(labels[0]["number"] > 30, "unsure"))
    found = agree(unsure, sample, visits, definition=DEFINITION)
    assert (found.n_unsure, found.n_labelled, found.n_drawn) == (30, 370, 400)


def test_two_labellers_their_kappa_and_where_they_differ(visits, sample, labels):
    """One in five differs; visits and answers are listed, and a tie decides nothing."""
    both = pd.concat(labels, ignore_index=True)
    found = agree(both, sample, visits, definition=DEFINITION)
    (kappa,) = found.kappas.values()
    assert list(found.kappas) == [("AB", "CD")]
    assert kappa.agreed == pytest.approx(0.8)
    assert kappa.n == 400
    assert found.disagreements["number"].tolist() == list(range(5, 401, 5))
    assert {"AB", "CD", "branch", "reference"} <= set(found.disagreements.columns)
    assert found.n_unsure == 80


def test_visits_on_which_the_definition_errs_are_listed_with_their_evidence(visits, sample, labels):
    """Flares it missed and what it wrongly found."""
    found = agree(labels[0], sample, visits, definition=DEFINITION)
    drawn = drawn_visits(sample, visits)
    wrong = drawn.loc[drawn["truth"] != (drawn["kind"] == "itch flare")]
    assert set(found.misjudged["number"]) == set(wrong["number"])
    assert (found.misjudged["evidence"] == "note: itch").all()


def test_too_few_are_said_to_be_too_few(visits, sample, labels):
    """A small branch's row keeps its counts and gives no share."""
    few = labels[0].loc[labels[0]["number"] <= 60]
    table = agree(few, sample, visits, definition=DEFINITION).table
    small = table.loc[(table["group"] == "branch") & (table["flares"] < 10)]
    assert len(small)
    assert small["sensitivity"].isna().all()
    assert (small["visits"] > 0).all()


def test_another_definition_is_judged_by_the_same_labels(visits, sample, labels):
    """Its verdicts differ from those of the strata; labels and weights hold."""
    stricter = visits.assign(
        kind=np.where(visits["certainty"] == "definite", visits["kind"], "other"),
        certainty=visits["certainty"].where(visits["certainty"] != "probable", "possible"),
    )
    found = agree(labels[0], sample, stricter, definition="ours 1 def")
    true = overall(score_against_truth(stricter, stricter["truth"]))
    told = overall(found.table)
    assert not found.same_definition
    assert told["sensitivity_low"] <= true["sensitivity"] <= told["sensitivity_high"]
    assert told["sensitivity"] < 0.6


def test_erased_visits_are_counted(visits, sample, labels):
    """Their labels are not used."""
    gone = sample.rows["reference"].head(7)
    left = visits.loc[~visits["reference"].isin(gone)]
    assert agree(labels[0], sample, left, definition=DEFINITION).n_gone == 7


def test_labels_of_nothing_on_record_are_refused(visits, sample, labels):
    """Not an empty table."""
    with pytest.raises(LabellingError, match="no visit of sample-"):
        agree(labels[0], sample, visits.iloc[:0], definition=DEFINITION)
