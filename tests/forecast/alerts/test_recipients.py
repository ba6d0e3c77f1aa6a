"""Who is on an alert's list, and why others are left out: each case by itself."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from alert_world import NOW, Person, Pet, add_approved, add_people, make_practice, opened, settings

from forecast.alerts.household import LeftOut, OwnerFacts, answer_of, hear, judged
from forecast.alerts.lists import keep_list
from forecast.alerts.sending import preview_list
from forecast.records.tables import alert_message, owner
from forecast.visits import import_dogs

DEAD = (Pet(status="dead"),)
# What stands in the register, and why no message goes: by hand, from the words.
CASES = [
    (Person("yes", "yes@a.example"), None),
    (Person("no", "no@a.example", consent="no"), LeftOut.SAID_NO),
    (Person("unasked", "unasked@a.example", consent=None), LeftOut.CONSENT_NOT_KNOWN),
    (Person("unsure", "unsure@a.example", consent="not known"), LeftOut.CONSENT_NOT_KNOWN),
    (Person("dead", "dead@a.example", pets=DEAD), LeftOut.NO_LIVING_DOG),
    (Person("rehomed", "r@a.example", pets=(Pet(status="rehomed"),)), LeftOut.NO_LIVING_DOG),
    (Person("unknown", "u@a.example", pets=(Pet(status=None),)), LeftOut.DOG_NOT_KNOWN),
    (Person("one lives", "o@a.example", pets=(*DEAD, Pet())), None),
    (Person("gone", "g@a.example", status="moved"), LeftOut.OWNER_GONE),
    (Person("here", "h@a.example", status="active"), None),
    (Person("phone", "0170 1234567"), LeftOut.NO_ADDRESS),
    (Person("nothing", None), LeftOut.NO_ADDRESS),
    (Person("rubbish", "anna@@x"), LeftOut.ADDRESS_REFUSED),
    (Person("far", "far@a.example", pets=(Pet(region="south"),)), "not listed"),
    (Person("cat", "cat@a.example", pets=(Pet(species="cat"),)), "not listed"),
    (Person("homeless", "hl@a.example", pets=(Pet(region=None),)), "not listed"),
]


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """Make one practice with every case in it, and with households of several."""
    folder = tmp_path_factory.mktemp("recipients") / "practice"
    zones = (("north", "Europe/Berlin"), ("south", "Europe/Berlin"))
    practice = make_practice(folder, settings(regions=zones))
    records = opened(practice)
    add_people(records, [person for person, _ in CASES])
    couple = [
        Person("pair 1", "home@b.example", consent=None),
        Person("pair 2", "Home@B.example", pets=(Pet(), Pet())),
        Person("torn 1", "torn@b.example"),
        Person("torn 2", "torn@b.example", consent="no", pets=(Pet(region="south"),)),
    ]
    add_people(records, couple)
    yield practice, records, add_approved(records)
    records.close()


@pytest.fixture(scope="module")
def listed(world):
    """Give the list as it would be drawn now, by owner."""
    return {one.owner_id: one for one in preview_list(*world).listed}


@pytest.mark.parametrize(("person", "why"), CASES, ids=lambda one: getattr(one, "id", ""))
def test_each_is_written_to_or_left_out_for_its_reason(listed, person, why):
    """Not known is never a yes, and an animal elsewhere is no reason at all."""
    if why == "not listed":
        assert person.id not in listed
    else:
        assert listed[person.id].left_out == why


def test_a_household_gets_one_message_and_goes_by_its_address(listed):
    """Two owners and three dogs at one address, in other letters: the one who said yes gets it."""
    assert listed["pair 2"].left_out is None
    assert (listed["pair 1"].left_out, listed["pair 1"].same_as) == (
        LeftOut.SAME_HOUSEHOLD,
        "pair 2",
    )


def test_a_no_at_an_address_counts_wherever_the_dog_lives(listed):
    """The other one of the house said no."""
    assert listed["torn 1"].left_out is LeftOut.SAID_NO


def test_the_list_is_counted(world):
    """As the approver sees it; the numbers by hand from the cases above."""
    recipients = preview_list(*world)
    assert recipients.n_written_to == 4  # yes, one lives, here, pair 2
    assert recipients.left_out[LeftOut.CONSENT_NOT_KNOWN] == 2
    assert sum(recipients.left_out.values()) + 4 == len(recipients.listed)


def test_the_budget_counts_all_kinds_and_a_second_region_is_not_told_the_same(tmp_path):
    """One alert a year: of the same kind within the gap it is the same news, later the budget."""
    practice = make_practice(tmp_path / "practice", settings())
    records = opened(practice)
    add_people(records, [Person("o", "o@a.example")])
    first = add_approved(records, "a1")
    keep_list(
        records, first, preview_list(practice, records, first), way="mail", partner=False, now=NOW
    )
    same, other = add_approved(records, "a2"), add_approved(records, "a3", kind="peak near")
    (one,) = preview_list(practice, records, same).listed
    assert one.left_out is LeftOut.TOLD_LATELY
    (one,) = preview_list(practice, records, other).listed
    assert one.left_out is None  # one of three
    tight = add_approved(records, "a4", kind="peak near", budget=1)
    (one,) = preview_list(practice, records, tight).listed
    assert one.left_out is LeftOut.BUDGET
    with records.writing() as connection:  # more than a year ago it counts no more
        connection.execute(alert_message.update().values(due_at=NOW - timedelta(days=367)))
    (one,) = preview_list(practice, records, tight).listed
    assert one.left_out is None
    records.close()


def test_the_most_particular_answer_counts():
    """Yes to messages, no to alerts by mail: no."""
    assert answer_of({"messages": "yes", "alerts by mail": "no"}) == "no"
    assert answer_of({"messages": "no", "alerts": "yes"}) == "yes"
    assert answer_of({"alerts by mail": "not known", "messages": "yes"}) == "yes"
    assert answer_of({}) == "not known"


def test_whoever_unsubscribed_or_cannot_be_reached_is_left_out():
    """Before all else."""
    fine = [OwnerFacts("yes", "active", ("active",))]
    assert judged(fine, stopped=None) is None
    assert judged(fine, stopped="unsubscribed") is LeftOut.UNSUBSCRIBED
    assert judged(fine, stopped="bounced") is LeftOut.BOUNCED


def test_a_register_tells_homes_by_postcode_or_point_and_consent_by_purpose(tmp_path):
    """From the file to the list: a postcode, a point in the outline, one outside, both consents."""
    placed = 'allergens = ["grasses"]\npostcodes = ["80"]\narea = "north.geojson"'
    text = settings().replace('allergens = ["grasses"]', placed)
    practice = make_practice(tmp_path / "practice", text)
    ring = [[8.4, 47.2], [8.9, 47.2], [8.9, 47.6], [8.4, 47.6], [8.4, 47.2]]
    outline = {"type": "Polygon", "coordinates": [ring]}
    (practice.folder / "north.geojson").write_text(json.dumps(outline), encoding="utf-8")
    (tmp_path / "dogs.csv").write_text(
        "dog,owner,owner_number,owner_contact,status,consent,consent_alerts,postcode,"
        "latitude,longitude\n"
        "D1,A,1,a@x.example,active,yes,,80331,,\n"
        "D2,B,2,b@x.example,active,yes,,,47.4,8.6\n"
        "D3,C,3,c@x.example,active,yes,,,50,8.6\n"
        "D4,D,4,d@x.example,active,no,yes,80331,,\n"
        "D5,E,5,e@x.example,active,yes,no,80331,,\n"
        "D6,F,6,f@x.example,active,yes,,,100,8.6\n"
    )
    records = opened(practice)
    report = import_dogs(practice, records, tmp_path / "dogs.csv")
    assert [(one.check, one.row) for one in report.findings] == [("no degrees", 7)]
    drawn = preview_list(practice, records, add_approved(records))
    with records.reading() as connection:
        number = {row.id: row.reference for row in connection.execute(owner.select())}
    found = {number[one.owner_id]: one.left_out for one in drawn.listed}
    assert found == {"1": None, "2": None, "4": None, "5": LeftOut.SAID_NO}
    records.close()


def test_a_later_no_to_all_ends_an_earlier_yes_to_a_part():
    """In the order in which it was said; a yes to a part after a no to all counts."""
    said = {}
    for what, answer in (("alerts by mail", "yes"), ("messages", "no")):
        hear(said, what, answer)
    assert answer_of(said) == "no"
    hear(said, "alerts", "yes")
    assert answer_of(said) == "yes"
    hear(said, "messages", "yes")
    hear(said, "alerts", "no")
    assert answer_of(said) == "no"


def test_the_message_of_a_household_is_to_one_who_could_get_it_alone(tmp_path):
    """One is dead, of one the dog is; both said yes, and come first by their ids."""
    practice = make_practice(tmp_path / "practice", settings())
    records = opened(practice)
    add_people(
        records,
        [
            Person("a dead owner", "home@c.example", status="dead"),
            Person("b dead dog", "home@c.example", pets=DEAD),
            Person("c lives", "home@c.example"),
        ],
    )
    listed = preview_list(practice, records, add_approved(records)).listed
    assert [one.owner_id for one in listed if one.left_out is None] == ["c lives"]
    records.close()
