from __future__ import annotations

from typing import get_args

import pytest

from models.parameters import ParameterError, Status, load_table, parse_table

TEXT = """
[birch.base]
value = 3.5
unit = "degC"
source = "Author 2000, table 1"
status = "published"

[birch.length]
value = 50
unit = "degC d"
source = "assumed for the test"
status = "assumed"

[olive.note]
value = "none"
unit = "1"
source = "assumed for the test"
status = "assumed"
"""


def leaf(**changes):
    """Write one parameter as TOML, with changed or left-out (None) keys."""
    keys = {"value": 1, "unit": '"1"', "source": '"x"', "status": '"assumed"'} | changes
    body = "\n".join(f"{k} = {v}" for k, v in keys.items() if v is not None)
    return f"[group.name]\n{body}\n"


def test_a_parameter_keeps_its_origin():
    """Value, unit, source and status come back as written."""
    found = parse_table(TEXT, "t.toml")["birch.base"]
    assert (found.value, found.unit, found.status) == (3.5, "degC", "published")
    assert found.source == "Author 2000, table 1"


def test_numbers_come_as_floats():
    """A whole number is a number; a word and a truth value are not."""
    table = parse_table(TEXT, "t.toml")
    assert table.number("birch.length") == 50.0
    with pytest.raises(ParameterError, match=r"number.*'none'"):
        table.number("olive.note")
    with pytest.raises(ParameterError, match=r"number.*True"):
        parse_table(leaf(value="true"), "t.toml").number("group.name")


def test_groups_are_listed_in_the_order_of_the_file():
    """The first parts of the names, each once."""
    table = parse_table(TEXT, "t.toml")
    assert table.groups() == ["birch", "olive"]
    assert list(table.group("birch")) == ["base", "length"]
    assert table.group("bir") == {}


def test_an_unknown_name_is_answered_with_near_ones():
    """A slip of the pen is told what it probably meant, and in which table."""
    with pytest.raises(ParameterError, match=r"t\.toml.*'birch\.bsae'.*birch\.base"):
        parse_table(TEXT, "t.toml")["birch.bsae"]


@pytest.mark.parametrize("missing", ["unit", "source", "status"])
def test_a_number_without_its_origin_is_refused(missing):
    """Each of the keys is asked for by name."""
    with pytest.raises(ParameterError, match=rf"group\.name.*{missing}"):
        parse_table(leaf(**{missing: None}), "t.toml")


def test_a_key_too_many_is_refused():
    """A misspelt key cannot hide beside the right ones."""
    with pytest.raises(ParameterError, match=r"group\.name.*stauts"):
        parse_table(leaf(stauts='"published"'), "t.toml")


def test_a_bare_value_is_refused():
    """A number without a table around it has no source."""
    with pytest.raises(ParameterError, match=r"group\.name.*bare value 3"):
        parse_table("[group]\nname = 3\n", "t.toml")


def test_an_unknown_status_is_refused_with_the_known_ones():
    """The six words for how far a value was verified are listed."""
    with pytest.raises(ParameterError, match=r"'certain'.*published.*fitted"):
        parse_table(leaf(status='"certain"'), "t.toml")
    for status in get_args(Status):
        assert parse_table(leaf(status=f'"{status}"'), "t.toml")["group.name"].status == status


def test_the_hash_follows_the_text():
    """A changed table has another hash, which an issue can store."""
    one, same, other = (parse_table(t, "t.toml").sha256 for t in (TEXT, TEXT, TEXT + "\n"))
    assert one == same
    assert one != other


@pytest.mark.parametrize("name", ["daylength.toml", "humidity.toml"])
def test_shipped_tables_load_and_state_their_sources(name):
    """Tables beside the formulas parse, and no source is empty."""
    table = load_table("models", name)
    assert table.parameters
    assert all(parameter.source.strip() for parameter in table.parameters.values())
    assert load_table("models", name) is table
