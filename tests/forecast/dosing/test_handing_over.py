"""Handing dogs over: households stay together, shares come out even, nobody works elsewhere."""

from __future__ import annotations

from collections import Counter

from hypothesis import given
from hypothesis import strategies as some

from forecast.dosing.handing_over import HandedDog, Taker, loads, shared_out


def dog(number: int, household: str = "", branch: str = "a") -> HandedDog:
    return HandedDog(f"dog-{number}", household or f"house-{number}", branch)


def test_shares_come_out_even_with_what_each_has_already():
    """Six dogs to one with four and one with none: five each in the end."""
    given_to = shared_out([dog(n) for n in range(6)], [Taker("busy", 4), Taker("free", 0)])
    assert Counter(given_to.values()) == {"busy": 1, "free": 5}


def test_a_household_stays_together():
    """Three of one owner, and two alone: three to the one, two to the other."""
    dogs = [dog(1), dog(2), *(dog(n, "sisters") for n in (3, 4, 5))]
    given_to = shared_out(dogs, [Taker("x", 0), Taker("y", 0)])
    assert len({given_to[f"dog-{n}"] for n in (3, 4, 5)}) == 1
    assert sorted(Counter(given_to.values()).values()) == [2, 3]


def test_nobody_gets_dogs_of_a_branch_where_they_do_not_work():
    """A household over two branches is taken apart; what nobody works for stays."""
    here, there = frozenset({"a"}), frozenset({"b"})
    dogs = [dog(1, "split", "a"), dog(2, "split", "b"), dog(3, branch="c"), dog(4, branch="")]
    given_to = shared_out(dogs, [Taker("x", 0, here), Taker("y", 0, there)])
    assert given_to["dog-1"] == "x"
    assert given_to["dog-2"] == "y"
    assert "dog-3" not in given_to
    assert given_to["dog-4"] in ("x", "y")  # of which the branch is not known


@given(
    houses=some.lists(some.integers(0, 5), max_size=30),
    held=some.lists(some.integers(0, 9), min_size=1, max_size=4),
)
def test_every_dog_finds_a_vet_where_all_work_everywhere(houses, held):
    """And none is further behind the fullest than the largest household is large."""
    dogs = [dog(n, f"house-{house}") for n, house in enumerate(houses)]
    takers = [Taker(f"vet-{n}", n_dogs) for n, n_dogs in enumerate(held)]
    given_to = shared_out(dogs, takers)
    assert set(given_to) == {one.id for one in dogs}
    after = {one.id: one.n_dogs + loads(given_to).get(one.id, 0) for one in takers}
    largest = max(Counter(houses).values(), default=0)
    took = [after[one.id] for one in takers if after[one.id] > one.n_dogs]
    assert all(n - min(after.values()) <= largest for n in took)
