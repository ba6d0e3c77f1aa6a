import json

import pandas as pd
import pytest

from forecast.homes import DISTANT, NOT_KNOWN, Home, HomeError, HomeFinder
from forecast.regions import Region


def region(name: str, *, postcodes: tuple[str, ...] = (), area: str | None = None) -> Region:
    return Region(name, name, 37.0, 127.0, 10.0, "Asia/Seoul", ("birch",), postcodes, area)


def square(west: float, south: float, size: float = 1.0) -> dict[str, object]:
    ring = [
        [west, south],
        [west + size, south],
        [west + size, south + size],
        [west, south + size],
        [west, south],
    ]
    return {"type": "Polygon", "coordinates": [ring]}


def write(folder, name: str, content: object) -> str:
    (folder / name).write_text(json.dumps(content), encoding="utf-8")
    return name


def test_the_longest_beginning_of_a_postcode_decides(tmp_path):
    """A town inside a district: its postcode begins as the district's and goes on."""
    finder = HomeFinder(
        [region("district", postcodes=("04",)), region("town", postcodes=("045",))], tmp_path
    )
    assert finder.of_postcode("04123") == Home("region", "district")
    assert finder.of_postcode("04523") == Home("region", "town")


@pytest.mark.parametrize("written", ["ab1 2cd", "AB1-2CD", " ab12cd "])
def test_spaces_hyphens_and_case_of_a_postcode_do_not_matter(tmp_path, written):
    """As people write them."""
    finder = HomeFinder([region("north", postcodes=("AB1 2",))], tmp_path)
    assert finder.of_postcode(written) == Home("region", "north")


def test_another_postcode_is_distant_and_none_is_not_known(tmp_path):
    """A dog from far is seen here and flares elsewhere; no address is not an address far off."""
    finder = HomeFinder([region("north", postcodes=("04",))], tmp_path)
    assert finder.of_postcode("99001") == DISTANT
    for empty in ("", None, float("nan"), " - "):
        assert finder.of_postcode(empty) == NOT_KNOWN


def test_without_listed_postcodes_a_postcode_tells_nothing(tmp_path):
    """Not known, rather than distant from regions whose extent nobody gave."""
    finder = HomeFinder([region("north")], tmp_path)
    assert not finder.tells_postcodes
    assert finder.of_postcode("04123") == NOT_KNOWN


def test_a_column_of_postcodes_is_told_row_by_row(tmp_path):
    """Rows keep their labels, and what is missing stays apart from what is distant."""
    finder = HomeFinder([region("north", postcodes=("04",))], tmp_path)
    found = finder.of_postcodes(pd.Series(["04123", None, "70000"], index=[7, 8, 9]))
    assert found["place"].to_dict() == {7: "region", 8: "not known", 9: "distant"}
    assert found["region"].fillna("").to_dict() == {7: "north", 8: "", 9: ""}


def test_two_regions_with_one_postcode_are_refused(tmp_path):
    """The sentence names both."""
    both = [region("north", postcodes=("04",)), region("south", postcodes=("0-4",))]
    with pytest.raises(HomeError, match="north and south"):
        HomeFinder(both, tmp_path)


def test_a_point_lies_in_the_outline_that_holds_it(tmp_path):
    """GeoJSON writes longitude first; a hole, here a lake, belongs to nobody."""
    lake = square(126.4, 37.4, 0.2)["coordinates"][0]
    outer = square(126.0, 37.0)["coordinates"][0]
    north = write(tmp_path, "north.geojson", {"type": "Polygon", "coordinates": [outer, lake]})
    south = {"type": "Feature", "properties": {}, "geometry": square(126.0, 36.0)}
    collected = {"type": "FeatureCollection", "features": [south]}
    south_file = write(tmp_path, "south.geojson", collected)
    finder = HomeFinder([region("north", area=north), region("south", area=south_file)], tmp_path)
    assert finder.of_point(37.2, 126.2) == Home("region", "north")
    assert finder.of_point(36.5, 126.5) == Home("region", "south")
    assert finder.of_point(37.5, 126.5) == DISTANT
    assert finder.of_point(float("nan"), 126.5) == NOT_KNOWN


def test_neighbours_may_touch_and_not_overlap(tmp_path):
    """A shared border is no overlap; a shared strip is refused by name."""
    west = region("west", area=write(tmp_path, "west.geojson", square(126.0, 37.0)))
    east = region("east", area=write(tmp_path, "east.geojson", square(127.0, 37.0)))
    HomeFinder([west, east], tmp_path)
    strip = region("strip", area=write(tmp_path, "strip.geojson", square(126.9, 37.0)))
    with pytest.raises(HomeError, match="west and strip overlap"):
        HomeFinder([west, strip], tmp_path)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ({"type": "Point", "coordinates": [126.0, 37.0]}, "holds no area"),
        ({"type": "Polygon", "coordinates": "nowhere"}, "no GeoJSON shape"),
        (square(198000.0, 550000.0, 1000.0), "export it unprojected"),
        (["list"], "holds no area"),
    ],
)
def test_what_is_no_outline_is_refused(tmp_path, content, sentence):
    """A point, a torn shape, metres in the place of degrees, a file of something else."""
    file = write(tmp_path, "wrong.geojson", content)
    with pytest.raises(HomeError, match=sentence):
        HomeFinder([region("north", area=file)], tmp_path)


def test_a_missing_outline_is_named(tmp_path):
    """The sentence says where to put it."""
    with pytest.raises(HomeError, match=r"lost\.geojson.*practice folder"):
        HomeFinder([region("north", area="lost.geojson")], tmp_path)
