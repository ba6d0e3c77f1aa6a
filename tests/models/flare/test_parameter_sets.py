"""Sets of parameters: where a likelihood is known, they are drawn from its posterior."""

from __future__ import annotations

import numpy as np
import pytest

from models.flare.parameter_sets import find_sets
from models.flare.state_space_kernels import PARAMETERS, SIZE
from models.parameters import load_table

TABLE = load_table("models.flare", "flare.toml")
LEVEL, HALF_LIFE = (PARAMETERS.index(name) for name in ("level_step", "level_half_life"))


def test_without_counts_the_sets_are_those_of_the_prior():
    """Medians of the table; the spread is drawn a little wider, as the table says, and weighed."""
    sets = find_sets(lambda sets: np.zeros(len(sets)), TABLE)
    middle, spread = TABLE["state_space.level_step"].value
    away = np.log(sets[:, LEVEL] / middle) / spread
    assert len(sets) == TABLE.number("state_space.kept")
    assert np.median(away) == pytest.approx(0.0, abs=0.25)
    assert away.std() == pytest.approx(1.0, abs=0.25)
    assert (sets[:, HALF_LIFE] == TABLE.number("state_space.level_half_life")).all()


def test_a_normal_likelihood_and_a_normal_prior_meet_where_they_must():
    """Prior N(0, 1), data N(2, 0.5^2) to the power w: precision 1 + 4 w, mean 8 w / (1 + 4 w)."""
    middle, spread = TABLE["state_space.size"].value
    sets = find_sets(
        lambda sets: -0.5 * ((np.log(sets[:, SIZE] / middle) / spread - 2.0) / 0.5) ** 2, TABLE
    )
    power = TABLE.number("state_space.likelihood_power")
    precision = 1.0 + 4.0 * power
    away = np.log(sets[:, SIZE] / middle) / spread
    assert away.mean() == pytest.approx(8.0 * power / precision, abs=0.15)
    assert away.std() == pytest.approx(precision**-0.5, rel=0.25)


def test_sets_lie_along_what_the_counts_tell_together():
    """Two parameters of which only the sum is told: each is wide, their sum is not."""
    level, size = TABLE["state_space.level_step"].value, TABLE["state_space.size"].value

    def units(sets):
        return np.stack(
            [
                np.log(sets[:, LEVEL] / level[0]) / level[1],
                np.log(sets[:, SIZE] / size[0]) / size[1],
            ]
        )

    sets = find_sets(lambda sets: -0.5 * (units(sets).sum(0) / 0.1) ** 2, TABLE)
    apart = units(sets)
    assert np.corrcoef(apart)[0, 1] < -0.8
    assert apart.sum(0).std() < 0.3 * apart[0].std()


def test_the_same_counts_give_the_same_sets():
    """To the last bit: the points are the same in every fit."""
    one, two = (find_sets(lambda s: -(np.log(s[:, SIZE]) ** 2), TABLE) for _ in range(2))
    assert np.array_equal(one, two)
