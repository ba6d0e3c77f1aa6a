"""The plan: only ever proposed, only for the right dog, and always with its cautions."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.dosing.dog_record import DogRecord, Finding, ItchScore, TherapyEvent
from forecast.dosing.dog_risk import DogRisk
from forecast.dosing.plan import CAUTIONS, Proposal, more_flare_weeks, propose_plan
from forecast.dosing.price import Price
from forecast.dosing.therapies import DosingError, Verdict, therapies, therapy
from forecast.dosing.work_up import CALLS_FOR_DIET, FINDINGS, WORK_UP
from models.effect_time import EffectTime
from models.effect_time.dog import RatePosterior
from models.weeks import week_range

TODAY = date(2024, 1, 3)  # a Wednesday
RECENT = TODAY - timedelta(days=3)
WEEKS = week_range(date(2024, 1, 1), 52).values.astype("datetime64[D]")
OPEN = {TODAY + timedelta(days=d) for d in range(370) if (TODAY + timedelta(days=d)).weekday() < 5}
ANTIBODY = therapy("anti_il31_antibody")


def season(first=17, last=24, high=0.25, low=0.0):
    """Return a dog's risk with one season, weeks by number."""
    probability = np.full(52, low)
    probability[first : last + 1] = high
    return DogRisk(WEEKS, probability, probability[None, :], np.ones(52), 3, 2.0)


def dog_with(**changes):
    found = {code: Finding(kind.wanted, RECENT) for code, kind in (WORK_UP | FINDINGS).items()}
    dog = DogRecord(
        id="dog-0001",
        species="dog",
        birth_date=date(2018, 3, 1),
        weight_kg=14.2,
        weighed=RECENT,
        sex="male",
        neutered=True,
        region="north",
        branch="branch-1",
        findings=found | dict.fromkeys(CALLS_FOR_DIET, Finding(False, RECENT)),
        therapies=(TherapyEvent("anti_il31_antibody", date(2023, 5, 20), responded=True),),
        flare_visits=(date(2021, 5, 10), date(2022, 5, 16), date(2023, 5, 8), date(2023, 6, 12)),
        scores=(ItchScore(1.4, RECENT),),
        history_asked=RECENT,
    )
    return replace(dog, **changes)


def plan_for(dog=None, risk=None, *, kind=ANTIBODY, **changes):
    given = {"open_days": OPEN, "issue_id": "issue-1", "today": TODAY, "price": Price(0.15, RECENT)}
    arguments = given | changes
    return propose_plan(
        dog or dog_with(), kind, risk=season() if risk is None else risk, **arguments
    )


def codes(plan):
    return [reason.code for reason in plan.reasons]


def test_a_ready_dog_with_a_pattern_gets_dates_before_its_season():
    """The first dose falls on an open day at most one interval before the season's first week."""
    plan = plan_for()
    assert plan.proposal is Proposal.DATED_DOSES
    first_week = WEEKS[17].item()
    lead = (first_week - plan.doses[0].date).days
    assert 1 <= lead <= 28
    assert plan.doses[0].date.weekday() < 5
    assert plan.uncovered_weeks == ()
    assert "2022, 2023" in plan.doses[0].why


def test_a_plan_is_only_ever_proposed_and_unsigned():
    """Whatever the verdict, the plan is proposed, unsigned, and names dog, issue and therapy."""
    for plan in (plan_for(), plan_for(dog_with(species="cat")), plan_for(dog_with(scores=()))):
        assert (plan.state, plan.signed_by) == ("proposed", None)
        assert (plan.dog, plan.issue_id, plan.therapy) == ("dog-0001", "issue-1", ANTIBODY.id)


def test_the_cautions_are_always_on():
    """Every plan carries the five cautions first, whatever it proposes."""
    wanted = {"not_a_prescription", "vet_decides", "label_first", "no_trial", "care_now"}
    assert {caution.code for caution in CAUTIONS} == wanted
    for kind in therapies().values():
        for dog in (dog_with(), dog_with(species="cat"), dog_with(weight_kg=None)):
            assert plan_for(dog, kind=kind).cautions[: len(CAUTIONS)] == CAUTIONS


@pytest.mark.parametrize(
    ("changes", "proposal"),
    [
        ({"species": "cat"}, Proposal.NOTHING),
        ({"weight_kg": 2.4}, Proposal.NOTHING),
        ({"weighed": date(2023, 1, 1)}, Proposal.EXAMINE),
        ({"findings": {}}, Proposal.EXAMINE),
        ({"therapies": None}, Proposal.EXAMINE),
        ({"therapies": ()}, Proposal.VET_DECIDES),
        ({"birth_date": date(2023, 6, 1)}, Proposal.VET_DECIDES),
        ({"scores": (ItchScore(6.0, RECENT),)}, Proposal.SEE_NOW),
    ],
)
def test_a_dog_that_is_not_ready_gets_no_dose(changes, proposal):
    """The proposal is to see, examine or ask, never a date."""
    plan = plan_for(dog_with(**changes))
    assert plan.doses == ()
    assert plan.proposal is proposal
    assert plan.verdict is not Verdict.READY
    assert plan.uncovered_weeks == tuple(w.item() for w in WEEKS[17:24])  # 80 % of 8 weeks: 7


def test_the_proposal_for_a_stale_examination_is_an_examination():
    """An examination of two months ago leads to an examination, not to a dose."""
    dog = dog_with()
    old = dict(dog.findings) | {"examination": Finding(True, TODAY - timedelta(days=60))}
    plan = plan_for(replace(dog, findings=old))
    assert (plan.proposal, plan.doses) == (Proposal.EXAMINE, ())
    assert codes(plan) == ["examination_stale"]


@pytest.mark.parametrize(
    "flares",
    [
        (),
        (date(2023, 5, 8), date(2023, 6, 12)),  # two flares, one season
        (date(2022, 5, 16), date(2023, 10, 2)),  # two seasons, other parts of the year
    ],
)
def test_without_two_seasons_in_the_same_part_of_the_year_a_slot_is_held(flares):
    """One season, or two that do not match, is no pattern."""
    plan = plan_for(dog_with(flare_visits=flares))
    assert (plan.proposal, plan.doses) == (Proposal.HOLD_A_SLOT, ())
    assert "no_pattern" in codes(plan)


def test_a_pattern_across_new_year_is_one_season_each():
    """December 2021 and January 2023 are two winters; December 2022 and January 2023 one."""
    risk = season(45, 51)
    two = dog_with(flare_visits=(date(2021, 12, 20), date(2023, 1, 4)))
    one = dog_with(flare_visits=(date(2022, 12, 20), date(2023, 1, 4)))
    assert plan_for(two, risk).proposal is Proposal.DATED_DOSES
    assert plan_for(one, risk).proposal is Proposal.HOLD_A_SLOT


def test_doses_stay_in_the_part_of_the_year_the_dog_flared_in():
    """A season that this dog never flared in gets no dose, however high the region's risk."""
    both = season(17, 24).probability + season(38, 44).probability
    risk = replace(season(), probability=both, scenarios=both[None, :])
    plan = plan_for(risk=risk)
    assert plan.doses
    assert all(dose.date < date(2024, 7, 15) for dose in plan.doses)
    # of 15 weeks of equal risk 12 are its risk weeks: all eight of spring, four of autumn
    assert set(plan.uncovered_weeks) >= {w.item() for w in WEEKS[38:42]}


def test_too_little_risk_holds_a_slot_and_says_so():
    """Where no dose pays, the plan holds a slot and gives both costs."""
    plan = plan_for(risk=season(high=0.01))
    assert (plan.proposal, plan.doses) == (Proposal.HOLD_A_SLOT, ())
    assert "hold_wins" in codes(plan)


def test_the_trade_shows_every_way():
    """A dated plan is shown beside the first itch, no dose, fixed intervals and the calendar."""
    names = [outcome.name for outcome in plan_for().trade]
    assert names == [
        "planned dates",
        "planned dates, and a dose at itch besides",
        "hold a slot, start at first itch",
        "no dose",
        "a dose every 4 weeks all year",
        "a dose every 8 weeks all year",
        "a dose at each interval through the season",
        "a dose on the usual date each year, then at first itch",
    ]
    planned, both, hold, *others = plan_for().trade
    assert both.total < hold.total
    assert planned.total <= min(way.total for way in others if way.expected_doses == len(way.dates))


def test_unknown_risk_is_never_planned_over():
    """One week of unknown risk means no dates and uncovered weeks not known."""
    risk = season()
    risk.probability[30] = np.nan
    plan = plan_for(risk=risk)
    assert (plan.doses, plan.uncovered_weeks) == ((), None)
    assert "risk_not_known" in codes(plan)


def test_a_course_is_not_planned_ahead():
    """A daily tablet is started at the first itch, with the reason."""
    jak = therapy("daily_jak_inhibitor")
    past = TherapyEvent(jak.id, date(2022, 5, 2), date(2022, 6, 2), responded=True)
    plan = plan_for(dog_with(therapies=(past,)), kind=jak)
    assert (plan.proposal, plan.doses) == (Proposal.HOLD_A_SLOT, ())
    assert "not_planned_ahead" in codes(plan)


def test_a_dose_given_lately_delays_the_plan():
    """A dose three days before today counts towards the interval."""
    given_on = TODAY - timedelta(days=3)
    dose = TherapyEvent(ANTIBODY.id, given_on, responded=True)
    risk = season(0, 8)
    flares = (date(2022, 2, 1), date(2023, 2, 1))
    plan = plan_for(dog_with(therapies=(dose,), flare_visits=flares), risk)
    assert plan.doses
    assert (plan.doses[0].date - given_on).days >= 28


def test_without_a_known_open_day_nothing_is_dated():
    """A branch whose open days are not known gets a plan without dates, and the reason."""
    plan = plan_for(open_days=set())
    assert (plan.doses, plan.uncovered_weeks) == ((), None)
    assert "no_open_day" in codes(plan)
    assert not plan.reasons[-1].known


def effect(days, *, no_response=0.0):
    """Make an effect time that surely holds some days in four cases of five, of shape 2."""
    rate = RatePosterior(1e6, 1e6 * days**2 / np.log(1.25), no_response)
    return EffectTime("scores", days / 2, days + 5.0, 6, 5, 49.0, 2.0, rate)


def test_a_dogs_own_effect_time_is_what_its_plan_goes_by():
    """A dose that holds ten days leaves more of the season open, and the plan says why."""
    by_label = plan_for()
    short = plan_for(effect=effect(10))
    assert short.effect == effect(10)
    assert "own_effect_time" in codes(short)
    assert "own_effect_time" not in codes(by_label)
    assert by_label.effect is None
    best, label_best = short.trade[0], by_label.trade[0]
    every = [{one.name: one for one in plan.trade} for plan in (short, by_label)]
    through = [one["a dose at each interval through the season"] for one in every]
    assert through[0].dates == through[1].dates
    assert through[0].uncovered_risk > through[1].uncovered_risk
    assert best.total > label_best.total


def test_a_dog_that_probably_does_not_respond_is_put_to_the_vet():
    """Its record says that it responded, its scores say otherwise: no dose is dated."""
    plan = plan_for(effect=effect(30, no_response=0.6))
    assert plan.proposal is Proposal.VET_DECIDES
    assert plan.doses == ()
    assert plan.uncovered_weeks is None
    assert "response_unlikely" in codes(plan)
    assert "chance of no response by these scores: 60 %" in plan.reasons[-1].sentence


def test_a_plan_outside_the_issue_is_refused():
    """Weeks with a gap, or a day outside the issue: refused with the reason."""
    with pytest.raises(DosingError, match="use the newest issue"):
        plan_for(today=date(2026, 1, 1))
    gap = replace(season(), weeks=np.delete(WEEKS, 3), probability=np.zeros(51))
    with pytest.raises(DosingError, match="Mondays in a row"):
        plan_for(risk=gap)


def test_an_issue_that_begins_next_monday_is_planned_from_there():
    """Asked on the Saturday before the first week, the dates are those asked on the Monday."""
    day = date(2023, 12, 28)
    findings = {code: Finding(found.present, day) for code, found in dog_with().findings.items()}
    dog = dog_with(findings=findings, weighed=day, scores=(ItchScore(1.0, day),))
    plans = [plan_for(dog, today=today) for today in (date(2023, 12, 30), date(2024, 1, 1))]
    assert plans[0].doses == plans[1].doses != ()


record_changes = st.fixed_dictionaries(
    {},
    optional={
        "species": st.sampled_from(["cat", None]),
        "weight_kg": st.sampled_from([1.0, None, 40.0]),
        "birth_date": st.sampled_from([None, date(2023, 8, 1)]),
        "scores": st.sampled_from([(), (ItchScore(8.0, RECENT),)]),
        "therapies": st.sampled_from(
            [None, (), (TherapyEvent("anti_il31_antibody", TODAY, responded=True),)]
        ),
    },
)


@settings(max_examples=35, deadline=None)
@given(
    record_changes,
    st.integers(0, 10**6),
    st.lists(st.dates(date(2019, 1, 1), date(2023, 12, 31)), max_size=10),
)
def test_every_plan_keeps_interval_open_days_and_readiness(changes, seed, flares):
    """Random dogs, risks, flares and openings: no dose too close, closed, or for one not ready."""
    rng = np.random.default_rng(seed)
    probability = rng.random(52) * 0.3
    risk = DogRisk(WEEKS, probability, probability[None, :], np.ones(52), 1, 1.0)
    open_days = {day for day in OPEN if rng.random() < 0.5} | {date(2024, 12, 27)}
    dog = dog_with(flare_visits=tuple(flares), **changes)
    plan = plan_for(dog, risk, open_days=open_days)
    before = dog.last_dose(ANTIBODY.id, TODAY)
    days = [day for day in (before, *(dose.date for dose in plan.doses)) if day is not None]
    assert all((b - a).days >= 28 for a, b in pairwise(days))
    assert all(dose.date in open_days and dose.date > TODAY for dose in plan.doses)
    assert (not plan.doses) or plan.verdict is Verdict.READY
    assert len(plan.doses) <= 6


# ------------------------------------------------------------------- odds, price and other classes
def test_a_dated_plan_says_its_odds_and_what_a_week_costs():
    """All courses begin in week 17, the first dose acts before; a later first dose costs more."""
    plan = plan_for()
    assert plan.acts_before_season == 1
    assert plan.week_later > 0
    assert "odds" in codes(plan)


def test_the_odds_are_the_share_of_courses_that_begin_after_the_first_dose_acts():
    """One course begins in week 10, one in week 25; flares of June back no dose before week 16."""
    courses = np.stack([season(10, 24).probability, season(25, 32).probability])
    risk = replace(season(), probability=courses.mean(axis=0), scenarios=courses)
    flares = (date(2022, 6, 27), date(2023, 6, 26))
    plan = plan_for(dog_with(flare_visits=flares), risk)
    assert plan.doses[0].date < WEEKS[25].item()
    assert plan.acts_before_season == 0.5


def test_every_plan_says_whose_price_it_rests_on():
    """The owner's word with its day, or the practice's setting as what it is."""
    (said,) = [reason for reason in plan_for().reasons if reason.code == "price"]
    assert f"as the owner said on {RECENT}" in said.sentence
    plan = plan_for(price=Price(0.1, None))
    (unsaid,) = [reason for reason in plan.reasons if reason.code == "price_not_asked"]
    assert not unsaid.known
    assert "this practice's setting, as the owner was not asked" in unsaid.sentence


def test_a_dearer_price_of_the_owner_gives_no_dose():
    """What a dose must spare is more than the season holds."""
    assert plan_for(price=Price(20.0, RECENT)).doses == ()


def test_a_dog_that_itches_by_its_owners_word_is_seen_and_not_scheduled():
    """Until a score on the line (PVAS) is taken after it."""
    told = dog_with().findings | {"itching_now": Finding(True, TODAY)}
    plan = plan_for(dog_with(findings=told))
    assert (plan.proposal, plan.doses) == (Proposal.SEE_NOW, ())
    before = dog_with().findings | {"itching_now": Finding(True, RECENT - timedelta(days=1))}
    assert plan_for(dog_with(findings=before)).proposal is Proposal.DATED_DOSES


@pytest.mark.parametrize(
    ("kind", "code"),
    [("daily_jak_inhibitor", "tablet_dates"), ("allergen_immunotherapy", "begin_months_before")],
)
def test_courses_say_when_they_begin(kind, code):
    """For a dog that is ready, or put to the vet; without a dated dose."""
    past = TherapyEvent(kind, date(2022, 5, 2), date(2022, 6, 2), responded=True)
    plan = plan_for(dog_with(therapies=(past,), allergy_tested=RECENT), kind=therapy(kind))
    assert code in codes(plan)
    assert plan.doses == ()


def test_the_usual_date_is_the_middle_of_the_first_flares_of_past_years():
    """First flares on 10, 16 and 8 May: 10 May, less a week, is Friday 3 May 2024.

    A flare of January belongs to the season before, as the widest gap lies after it.
    """
    flares = (*dog_with().flare_visits, date(2023, 1, 9))
    for dog in (dog_with(), dog_with(flare_visits=tuple(sorted(flares)))):
        ways = {way.name: way for way in plan_for(dog).trade}
        usual = ways["a dose on the usual date each year, then at first itch"]
        assert usual.dates == (date(2024, 5, 3),)


def test_fixed_rules_keep_their_intervals():
    """Every four and every eight weeks of the year, from the first day that may be."""
    ways = {way.name: way.dates for way in plan_for().trade}
    for name, days in (("4 weeks", 28), ("8 weeks", 56)):
        dates = ways[f"a dose every {name} all year"]
        assert dates[0] == TODAY + timedelta(days=2)
        assert {(b - a).days for a, b in pairwise(dates)} <= {days, days + 1, days + 2}


def test_a_cost_too_small_for_two_decimals_is_not_said_as_nothing():
    assert more_flare_weeks(0.005) == "0.01 flare-weeks more"
    for small in (0.0049, 0.0, -1e-17):
        assert more_flare_weeks(small) == "hardly any flare-weeks more"
