"""Answers given on a page: kept at once, replaced, taken back, read as sheets are."""

from __future__ import annotations

import threading

import pandas as pd
import pytest

from forecast.practice import Practice, create_practice, template
from forecast.visits.labelling import LabellingError, Sample, read_labels
from forecast.visits.labelling.answers import answer, answer_sheets, answers_of, take_back


@pytest.fixture
def practice(tmp_path) -> Practice:
    return create_practice(tmp_path / "practice", template())


@pytest.fixture
def sample() -> Sample:
    rows = pd.DataFrame(
        {
            "number": [1, 2, 3],
            "branch": "main",
            "reference": ["secret-1", "secret-2", "secret-3"],
            "stratum": ["definite", "none", "none"],
            "weight": [1.0, 5.0, 5.0],
        }
    )
    return Sample("sample-1", "shipped 1", 1, rows)


def give(practice, sample, who, number, flare, name="Ada Quill"):
    return answer(practice, sample, who, name=name, number=number, flare=flare)


def test_answers_are_kept_in_the_order_in_which_they_were_given(practice, sample):
    """One given again is replaced, and is the last."""
    assert answers_of(practice, sample, "a1").given == {}
    give(practice, sample, "a1", 2, "no")
    give(practice, sample, "a1", 1, "yes")
    give(practice, sample, "a1", 2, "unsure")
    held = answers_of(practice, sample, "a1")
    assert held.given == {1: "yes", 2: "unsure"}
    assert (held.last, held.labeller) == (2, "AQ")


def test_the_last_answer_is_taken_back_one_by_one(practice, sample):
    """Until none is left."""
    give(practice, sample, "a1", 2, "no")
    give(practice, sample, "a1", 1, "yes")
    assert take_back(practice, sample, "a1") == 1
    assert answers_of(practice, sample, "a1").given == {2: "no"}
    assert take_back(practice, sample, "a1") == 2
    assert take_back(practice, sample, "a1") is None


def test_two_vets_of_the_same_initials_are_told_apart(practice, sample):
    """And sheets hold neither name nor visit."""
    give(practice, sample, "a1", 1, "yes", name="Ada Quill")
    give(practice, sample, "b2", 1, "no", name="Anton Quast")
    give(practice, sample, "c3", 1, "no", name="...")
    labels = read_labels(answer_sheets(practice, sample), {sample.id: sample}).rows
    assert dict(zip(labels["labeller"], labels["flare"], strict=True)) == {
        "AQ": "yes",
        "AQ2": "no",
        "VET": "no",
    }
    for content, _ in answer_sheets(practice, sample):
        assert b"secret" not in content
        assert b"Quill" not in content


@pytest.mark.parametrize(("number", "flare"), [(4, "yes"), (0, "yes"), (1, "maybe"), (1, "")])
def test_what_is_no_answer_is_refused_and_nothing_kept(practice, sample, number, flare):
    """The numbers and the answers are named."""
    with pytest.raises(LabellingError, match=f"number {number} was answered"):
        give(practice, sample, "a1", number, flare)
    assert answer_sheets(practice, sample) == []


def test_an_account_is_no_path(practice, sample):
    """Ids are random; a path is refused."""
    with pytest.raises(LabellingError, match="id cannot be one"):
        give(practice, sample, "../a", 1, "yes")


def test_answers_that_come_at_once_are_all_kept(practice, sample):
    """Three threads, each its own number, again and again."""

    def often(number: int) -> None:
        for flare in ("yes", "no") * 5:
            give(practice, sample, "a1", number, flare)

    threads = [threading.Thread(target=often, args=(number,)) for number in (1, 2, 3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert dict(answers_of(practice, sample, "a1").given) == {1: "no", 2: "no", 3: "no"}
