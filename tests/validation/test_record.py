"""The page of the record says what the kept results say."""

from record import PAGE, page, text_table


def test_a_table_is_written_as_it_is_kept():
    """Columns are aligned, numbers have two digits."""
    table = {"title": "T", "columns": ["a", "bb"], "rows": [["x", 1.25], ["yyy", 2]]}
    assert text_table(table).split("\n") == [
        "### T",
        "",
        "| a   | bb   |",
        "|-----|------|",
        "| x   | 1.25 |",
        "| yyy | 2    |",
    ]


def test_the_page_is_the_one_made_from_the_results():
    """Nobody wrote into it by hand, and no result is missing from it."""
    assert PAGE.read_text(encoding="utf-8") == page()
