"""Blind labelling: one visit a screen, kept at each answer, nothing of our verdict shown."""

from __future__ import annotations

import json
import re
from datetime import timedelta

import pytest

from forecast.accounts.roles import Role
from forecast.pages import labelling
from forecast.records.dogs import dog_ids
from forecast.visits import import_visits
from forecast.visits.exports.layout import parse_layout
from forecast.visits.exports.layout_text import layout_text
from forecast.visits.labelling.desk import kept_designs, samples_folder

LAYOUT = layout_text(
    parse_layout(
        """
        name = "old"
        [columns]
        visit = "Invoice"
        date = "Seen"
        item = "Product"
        branch = "Site"
        patient = "Pet"
        note = "Note"
        [items]
        "Skin consult" = "skin consultation"
        "Vaccine" = "vaccination"
        """,
        "layouts/old.toml",
    )
)
NOTES = ("Itchy paws and ears, red skin, scratching again. Atopic dermatitis.", "Booster. Well.")
VERDICTS = ("itch flare", "definite", "probable", "possible", "excluded", "weight", "stratum")


def export() -> str:
    """Sixty visits of sixty dogs, every second one an itch; those of the south end in 0 to 2."""
    lines = ["Invoice,Seen,Product,Site,Pet,Note"]
    for n in range(60):
        site = "at-south" if n % 10 < 3 else "at-north"
        item = ("Skin consult", "Vaccine")[n % 2]
        lines.append(f'SECRET{n},2023-01-{1 + n % 28:02d},{item},{site},PET{n},"{NOTES[n % 2]}"')
    return "\n".join(lines) + "\n"


@pytest.fixture
def visits(opened, tmp_path):
    (opened.practice().layouts_folder / "old.toml").write_text(LAYOUT)
    file = tmp_path / "export.csv"
    file.write_text(export())
    report = import_visits(opened.practice(), opened.records, file)
    assert report.n_kept == 60
    return report


@pytest.fixture
def person(browser, make_account, sit):
    """Give what makes a browser with somebody at it."""

    def make(name="Vi Quill", role=Role.VET, **more):
        return browser(sit(make_account(name.replace(" ", ""), role, **more)))

    return make


def draw(client, n: int = 20) -> str:
    answer = client.post("/labelling", data={"n": str(n)})
    assert answer.status_code == 303, answer.text
    return answer.headers["location"]


def label_all(client, first: str, says=lambda note: "yes" if "Itchy" in note else "no") -> str:
    at = first
    while not at.endswith("agreement"):
        page = client.get(at)
        at = client.post(at, data={"flare": says(page.text)}).headers["location"]
    return at


def test_a_visit_is_shown_blind(visits, person, opened):
    """Date, items and note; no verdict, no number of visit or patient, no branch."""
    vet = person()
    first = draw(vet)
    assert first == f"/labelling/{next(iter(kept_designs(opened.practice())))}/1"
    ids = dog_ids(opened.records)
    for number in range(1, 21):
        text = vet.get(first.removesuffix("1") + str(number)).text
        assert ("Itchy paws" in text) != ("Booster" in text)
        shown = text[text.index('<article class="visit"') : text.index("</article>")]
        for word in (*VERDICTS, "SECRET", "PET", "at-north", "at-south", *ids.values()):
            assert word not in shown
        for word in ("SECRET", "PET", "certainty", "stratum"):
            assert word not in text


def test_each_answer_is_kept_at_once_and_leads_on(visits, person, opened):
    """Also in the middle; what was answered is marked, and passed over."""
    vet = person()
    first = draw(vet)
    room = first.removesuffix("1")
    assert vet.post(first, data={"flare": "yes"}).headers["location"] == f"{room}2"
    assert vet.post(f"{room}5", data={"flare": "unsure"}).headers["location"] == f"{room}6"
    assert vet.post(f"{room}4", data={"flare": "no"}).headers["location"] == f"{room}6"
    page = vet.get(f"{room}5").text
    assert re.search(r'value="unsure"[^>]* aria-pressed="true"', page)
    assert "visit 5 of 20, 3 answered" in page
    (row,) = json.loads(vet.get("/labelling.json").text)["rows"]
    assert (row["n_answered"], row["next_number"]) == (3, 2)
    (kept,) = (samples_folder(opened.practice()) / "answers").glob("*.csv")
    assert [line.split(",")[1:3] for line in kept.read_text().splitlines()[1:]] == [
        ["1", "yes"],
        ["5", "unsure"],
        ["4", "no"],
    ]


def test_the_last_answer_is_taken_back(visits, person):
    """It leads to the visit, which can be answered anew."""
    vet = person()
    first = draw(vet)
    vet.post(first, data={"flare": "yes"})
    undone = vet.post(f"{first.removesuffix('1')}undo")
    assert undone.headers["location"] == first
    assert 'aria-pressed="true"' not in vet.get(first).text
    assert vet.post(f"{first.removesuffix('1')}undo").headers["location"] == "/labelling"


@pytest.mark.parametrize("flare", ["", "maybe", "YES"])
def test_what_is_no_answer_is_refused(flare, visits, person):
    """The answers are named."""
    vet = person()
    first = draw(vet)
    answer = vet.post(first, data={"flare": flare})
    assert answer.status_code == 400
    assert "an answer is yes, no, unsure" in answer.text


def test_what_labels_say_is_shown_only_when_all_are_answered(visits, person):
    """Who has seen a verdict is blind no more. Every label as the definition has it: 100 %."""
    vet, other = person(), person("Vo Quirk")
    first = draw(vet, 24)
    agreement = f"{first.removesuffix('1')}agreement"
    for _ in range(2):
        answer = vet.get(agreement)
        assert answer.status_code == 400
        assert "so that you label blind" in answer.text
        assert "itch flare" not in answer.text
        vet.post(first, data={"flare": "yes"})
    assert label_all(vet, first) == agreement
    shown = json.loads(vet.get(f"{agreement}.json").text)
    everything = shown["shares"][0]
    assert everything["visits"] == 24
    assert everything["sensitivity"].startswith("100 % (")
    assert shown["misjudged"] == []
    assert other.get(agreement).status_code == 400, "another vet is still blind"
    label_all(other, first, says=lambda note: "no")
    shown = json.loads(other.get(f"{agreement}.json").text)
    (kappa,) = shown["kappas"]
    assert kappa["n"] == 24
    assert set(kappa["vets"].split(" and ")) == {"V", "V2"}
    assert shown["n_vets_differ"] == everything["flares"]


def test_vets_alone_label(visits, person):
    """And see no page of it."""
    first = draw(person())
    for role in Role:
        if role is Role.VET:
            continue
        client = person(f"a {role.value}", role)
        assert client.get(first).status_code == 403
        assert client.post(first, data={"flare": "yes"}).status_code == 403
        assert client.get("/labelling").status_code == 403


def test_a_right_to_label_without_one_to_read_notes_is_not_enough(visits, person, monkeypatch):
    """Both are asked for."""
    first = draw(person())
    vet = person("Vo Quirk")

    class Blind:
        SEE_NOTES = "read what nobody may"

    monkeypatch.setattr(labelling, "Right", Blind)
    assert vet.get(first).status_code == 403


def test_a_vet_of_one_branch_labels_its_visits_alone(visits, person, opened):
    """The others are not there for them; nor may they draw."""
    first = draw(person())
    sample = next(iter(kept_designs(opened.practice()).values()))
    south = sample.rows.loc[sample.rows["branch"] == "at-south", "number"].tolist()
    north = sample.rows.loc[sample.rows["branch"] == "at-north", "number"].tolist()
    assert south
    assert north
    limited = person("Lou Locum", branches=["at-south"])
    room = first.removesuffix("1")
    assert limited.get(f"{room}{south[0]}").status_code == 200
    assert limited.get(f"{room}{north[0]}").status_code == 404
    assert limited.post(f"{room}{north[0]}", data={"flare": "yes"}).status_code == 404
    assert limited.post("/labelling", data={"n": "20"}).status_code == 403
    (row,) = json.loads(limited.get("/labelling.json").text)["rows"]
    assert row["n_drawn"] == len(south)


def test_notes_that_were_read_are_written_down(visits, person, opened):
    """Which vet, which number, when."""
    vet = person()
    first = draw(vet)
    vet.get(first)
    with opened.records.reading() as connection:
        noted = connection.exec_driver_sql(
            "SELECT subject FROM audit_entry WHERE action = 'clinical notes read'"
        ).all()
    assert [row[0] for row in noted] == [f"{first.split('/')[2]} number 1"]


def test_a_visit_that_is_gone_is_said_to_be(visits, person, opened):
    """Nothing can be said of it, and it does not keep anybody from the end."""
    vet = person()
    first = draw(vet)
    sample = next(iter(kept_designs(opened.practice()).values()))
    path = samples_folder(opened.practice()) / f"{sample.id}.csv"
    reference = sample.rows["reference"].iloc[0]
    path.write_text(path.read_text().replace(f",{reference},", ",renamed,"))
    page = vet.get(first).text
    assert "no longer on record" in page
    assert 'value="yes"' not in page
    for number in range(2, 21):
        vet.post(f"{first.removesuffix('1')}{number}", data={"flare": "no"})
    assert vet.get(f"{first.removesuffix('1')}agreement").status_code == 200


@pytest.mark.parametrize("n", ["", "5", "-3", "1001", "many", "²", "9" * 30])
def test_a_sample_that_cannot_be_is_refused(n, visits, person):
    """Too small, too large, no number."""
    assert person().post("/labelling", data={"n": n}).status_code == 400


def test_a_second_sample_is_another_and_the_first_stays(visits, person, opened, moment):
    """Newest first."""
    vet = person()
    one = draw(vet)
    moment.pass_by(days=timedelta(days=1).days)
    vet = person("Va Quell")
    other = draw(vet)
    assert one.split("/")[2] != other.split("/")[2]
    assert len(json.loads(vet.get("/labelling.json").text)["rows"]) == 2
