"""Visits that two files tell of: a split export is put together, a corrected one takes over."""

from __future__ import annotations

import pandas as pd
import pytest

from forecast.records.visits import visits, visits_with_evidence
from forecast.visits import import_visits, take_back

ITCHY = {"item": "CONS DERM", "note": "scratching again, paws"}
TABLETS = {"item": "TABS", "code": "D12", "vet": "CD"}


def told(report) -> dict[str, str]:
    return {f.check: f.found.split()[0] for f in report.findings}


def held(records) -> pd.DataFrame:
    return visits_with_evidence(records).set_index("reference")


def test_a_visit_split_over_two_files_is_one_with_the_lines_of_both(practice, records, exporting):
    """Skin consultation in one, tablets in the other: together a definite flare.

    Alone, itch in a note is probable and an itch-only therapy possible (definition.toml).
    """
    import_visits(practice, records, exporting(ITCHY, file="one.csv"))
    assert held(records).loc["R1/P1/2024", "certainty"] == "probable"
    report = import_visits(practice, records, exporting(TABLETS, file="two.csv"))
    assert told(report) == {"visit told by two files": "1"}
    (seen,) = held(records).to_dict("records")
    assert seen["items"] == ("CONS DERM", "TABS")
    assert seen["item_classes"] == ("daily oral Janus-kinase inhibitor", "skin consultation")
    assert (seen["codes"], seen["note"], seen["vet"]) == (("D12",), ITCHY["note"], "AB")
    assert (seen["kind"], seen["certainty"]) == ("itch flare", "definite")
    take_back(records, report.import_id)
    assert held(records).loc["R1/P1/2024", "certainty"] == "probable"


def test_two_invoices_of_a_patient_s_day_in_two_files_are_one_visit(practice, records, exporting):
    """As in one file; another patient's day, and another day, stay apart."""
    import_visits(practice, records, exporting(ITCHY, file="one.csv"))
    others = ({"invoice": "R3", "patient": "P2"}, {"invoice": "R4", "day": "2024-05-07"})
    report = import_visits(
        practice, records, exporting(TABLETS | {"invoice": "R2"}, *others, file="two.csv")
    )
    assert told(report) == {"visit told by two files": "1"}
    found = held(records)
    assert sorted(found.index) == ["R2/P1/2024", "R3/P2/2024", "R4/P1/2024"]
    assert found.loc["R2/P1/2024", "items"] == ("CONS DERM", "TABS")


@pytest.mark.parametrize(
    ("later", "items", "said"),
    [
        ([ITCHY, TABLETS], ("CONS DERM", "TABS"), {}),  # the whole visit again
        # two of three items: the third was taken out since
        ([ITCHY, TABLETS | {"item": "CONS"}], ("CONS", "CONS DERM"), {"visit told otherwise": "1"}),
        # its day was corrected
        ([TABLETS | {"day": "2024-05-08"}], ("TABS",), {"visit told otherwise": "1"}),
    ],
    ids=["whole", "corrected", "another day"],
)
def test_a_later_file_that_contradicts_takes_over(practice, records, exporting, later, items, said):
    """It repeats most items, or gives another day; where it lacks some, that is said."""
    first = [ITCHY] if not said else [ITCHY, TABLETS, {"item": "CONS"}]
    import_visits(practice, records, exporting(*first, file="one.csv"))
    report = import_visits(practice, records, exporting(*later, file="two.csv"))
    assert {check.removesuffix(" before"): n for check, n in told(report).items()} == said
    (seen,) = held(records)["items"]
    assert seen == items


def test_a_visit_of_our_own_format_is_not_added_to(practice, records, exporting, write):
    """It holds a kind and no items; the newer file counts."""
    own = "visit,date,branch,dog,kind\nR1/P1/2024,2024-05-06,n1,P1,recheck\n"
    import_visits(practice, records, write("own.csv", own))
    report = import_visits(practice, records, exporting(TABLETS))
    assert not report.findings
    assert held(records)["items"].tolist() == [("TABS",)]


@pytest.mark.parametrize("cut", [1, 2, 3, 4, 5])
def test_wherever_an_export_is_cut_the_visits_are_the_same(practice, records, exporting, cut):
    """Two files in a row hold what one would, if no line is in both."""
    lines = (
        ITCHY,
        {"item": "CONS", "patient": "P2", "invoice": "R2"},
        TABLETS,
        {"item": "EAR DROPS", "patient": "P2", "invoice": "R2", "note": "ears sore"},
        {"item": "SHAMPOO"},
        {"item": "CONS", "day": "2024-05-07", "invoice": "R5"},
    )
    columns = ["date", "kind", "items", "item_classes", "codes", "unmapped", "certainty"]
    report = import_visits(practice, records, exporting(*lines, file="whole.csv"))
    whole = held(records)[columns].sort_index()
    take_back(records, report.import_id)
    import_visits(practice, records, exporting(*lines[:cut], file="one.csv"))
    import_visits(practice, records, exporting(*lines[cut:], file="two.csv"))
    pd.testing.assert_frame_equal(held(records)[columns].sort_index(), whole)


def test_a_length_is_kept_with_its_visit_and_not_known_stays_so(practice, records, write):
    """From our own format; a bad one is said of its row, and the visit counts without it."""
    told = ("V1,2024-05-06,n1,D1,itch flare,25", "V2,2024-05-06,n1,,other,")
    rows = ["visit,date,branch,dog,kind,minutes", *told, "V3,2024-05-07,n1,,other,0", ""]
    path = write("visits.csv", "\n".join(rows))
    report = import_visits(practice, records, path)
    assert (report.n_kept, report.n_left_out) == (3, 0)
    (said,) = report.findings
    assert (said.row, said.column, said.found) == (4, "minutes", "0 minutes")
    kept = visits(records, more=("minutes",)).set_index("reference")["minutes"]
    assert kept["V1"] == 25.0
    assert kept[["V2", "V3"]].isna().all()


def test_a_layout_s_length_goes_to_the_records(practice, records, exporting):
    """The longest of a visit's lines; a second file adds its items and a longer length."""
    layout = practice.layouts_folder / "desk.toml"
    text = layout.read_text().replace('postcode = "Postcode"', 'minutes = "Postcode"')
    layout.write_text(text)
    import_visits(practice, records, exporting(ITCHY | {"postcode": "20"}, file="one.csv"))
    assert visits(records, more=("minutes",))["minutes"].tolist() == [20.0]
    import_visits(practice, records, exporting(TABLETS | {"postcode": "35"}, file="two.csv"))
    assert visits(records, more=("minutes",))["minutes"].tolist() == [35.0]
