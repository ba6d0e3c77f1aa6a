"""The dated plan of one dog: proposed, never prescribed, with every reason and the trade shown.

Doses are proposed only for a dog that is ready, responded to the therapy, flared in the same part
of the year in at least two earlier seasons, and for which the planned dates do better than
holding a slot and starting at the first itch. Everything else is said in words, without a dose.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum

import numpy as np

from forecast.dosing.dog_record import DogRecord, Reason
from forecast.dosing.dog_risk import DogRisk
from forecast.dosing.dog_season import (
    DogSeason,
    days_ahead,
    dog_season,
    risk_weeks,
    uncovered_weeks,
)
from forecast.dosing.effect_times import VetsWord, planned_cover, unlike_the_record
from forecast.dosing.moves import Move, SignedDates
from forecast.dosing.price import Price
from forecast.dosing.readiness import Readiness, readiness
from forecast.dosing.rules import Loosened, Rules
from forecast.dosing.schedule import DosingProblem, Floats, Outcome
from forecast.dosing.season_dates import SeasonDates, season_dates, when_to_begin
from forecast.dosing.strategies import Weighed, cost_of_a_week, weigh
from forecast.dosing.therapies import (
    CoverCurve,
    Therapy,
    Verdict,
    days_rule,
    therapy,
)
from forecast.dosing.work_up import HOUSE
from models.effect_time import EffectTime
from models.weeks import DAYS_IN_WEEK


@dataclass(frozen=True)
class Caution:
    """A sentence that every plan, letter and calendar entry carries."""

    code: str
    sentence: str
    source: str


CAUTIONS = (
    Caution(
        "not_a_prescription",
        "This is a proposal of dates, not a prescription.",
        HOUSE,
    ),
    Caution(
        "vet_decides",
        "A vet who has examined the dog decides; it is examined and weighed before any dose.",
        HOUSE,
    ),
    Caution("label_first", "The product label and local rules come first.", HOUSE),
    Caution(
        "no_trial",
        "No published trial of doses ahead of the season is known to us; the dates rest on "
        "arithmetic of the dog's past flares and of how long a dose was seen to act.",
        "Michels et al. 2016, Vet Dermatol 27:478, for the length of effect",
    ),
    Caution(
        "care_now",
        "See a vet at once, plan or no plan, for: swelling of the face, trouble breathing, "
        "collapse, raw or bleeding skin, a painful or swollen ear, fever, not eating, or itch "
        "that keeps the dog from sleeping.",
        "common practice",
    ),
)


class Proposal(StrEnum):
    """What a plan proposes to do next."""

    SEE_NOW = "see the dog now"
    NOTHING = "nothing of this therapy"
    EXAMINE = "examination first, no dose"
    VET_DECIDES = "put to the vet, no dose"
    HOLD_A_SLOT = "hold a slot, start at first itch"
    DATED_DOSES = "dated doses"


@dataclass(frozen=True)
class Dose:
    """One proposed date, and why that one."""

    date: date
    why: str


@dataclass(frozen=True)
class DosePlan:
    """A proposal for one dog from one issue; it has no effect until a vet signs it.

    `uncovered_weeks` are the Mondays of the dog's risk weeks left mostly uncovered, None where that
    is not known; `trade` shows what each way of dosing would give, empty where not worked out.
    `effect` is how long a dose holds in the dog, None where only the label says so. `price` is what
    a dose must spare, and by whose word; `season` when the dog's season begins and ends; both None
    where not worked out. Of dated doses, `acts_before_season` is the chance that the first acts
    before the season begins, and `week_later` what giving it a week later costs, in flare-weeks.
    `last_dose` is the last one given, which counts. `moved` says what a new forecast changed;
    `signed` are the dates that a vet signed, which hold whatever is proposed here;
    `word` is a vet's that a dose may be planned to hold longer than was measured. `held_against` is
    the id of the unsigned plan that it was compared with, None for the first of a season.
    """

    dog: str
    issue_id: str
    therapy: str
    doses: tuple[Dose, ...]
    uncovered_weeks: tuple[date, ...] | None
    reasons: tuple[Reason, ...]
    verdict: Verdict
    proposal: Proposal
    trade: tuple[Outcome, ...] = ()
    state: str = "proposed"
    signed_by: str | None = None
    loosened: tuple[Loosened, ...] = ()
    effect: EffectTime | None = None
    price: Price | None = None
    season: SeasonDates | None = None
    acts_before_season: float | None = None
    week_later: float | None = None
    last_dose: date | None = None
    moved: Move | None = None
    signed: SignedDates | None = None
    word: VetsWord | None = None
    held_against: str | None = None

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """Those always on, rules loosened, a vet's word, those of the therapy, what to watch."""
        kind = therapy(self.therapy)
        own = tuple(Caution(code, str(c.value), c.source) for code, c in kind.cautions.items())
        own += tuple(
            Caution(f"monitoring {code}", f"To be watched: {c.value}.", c.source)
            for code, c in kind.monitoring.items()
        )
        looser = tuple(
            Caution(f"loosened {one.rule}", one.sentence, "practice.toml") for one in self.loosened
        )
        if self.word is not None:
            looser += (Caution("vets_word", self.word.sentence, "a vet's word, kept with the dog"),)
        return CAUTIONS + looser + own


_WITHOUT_DOSE = {
    Verdict.SEE_NOW: Proposal.SEE_NOW,
    Verdict.NOT_SUITABLE: Proposal.NOTHING,
    Verdict.WORK_UP_FIRST: Proposal.EXAMINE,
    Verdict.VET_MUST_DECIDE: Proposal.VET_DECIDES,
}


def propose_plan(
    dog: DogRecord,
    therapy: Therapy,
    *,
    risk: DogRisk,
    open_days: Collection[date],
    issue_id: str,
    today: date,
    price: Price,
    most_doses: int | None = None,
    rules: Rules | None = None,
    effect: EffectTime | None = None,
    basis: Reason | None = None,
) -> DosePlan:
    """Propose what to do for one dog with one therapy, from one issue.

    `risk` is the dog's own weekly risk (see `dog_risk`), `open_days` the days on which its branch
    gives doses, `price` what a dose must be expected to spare, `rules` those that the practice goes
    by (those shipped, where none are given); `therapy` is as they have it. `effect` is how long a
    dose holds in this dog, None where only the label tells. `basis` says what the risk rests on.
    """
    ready = readiness(dog, therapy, today, rules=rules)
    start, daily, scenarios = days_ahead(risk, today)
    season_of_dog = season_dates(start, scenarios) if np.isfinite(daily).all() else None
    plan = _undated(dog, therapy, issue_id=issue_id, ready=ready)
    plan = replace(
        plan,
        price=price,
        season=season_of_dog,
        effect=effect,
        last_dose=dog.last_dose(therapy.id, today),
    )
    reasons = _why_no_dates(therapy, daily)
    if reasons:
        if ready.verdict in (Verdict.READY, Verdict.VET_MUST_DECIDE):
            reasons += when_to_begin(therapy, season_of_dog, today=today)
        return _because(plan, *reasons)
    cover = therapy.cover if effect is None else planned_cover(effect, therapy)
    if cover is None:
        assert effect is not None
        return _no_response(plan, effect)
    problem = DosingProblem(
        start=start,
        daily_risk=daily,
        may_dose=np.zeros(len(daily), dtype=bool),
        cover=cover,
        minimum_interval=therapy.minimum_interval,
        price=price.flare_weeks,
        most_doses=days_rule("plan.most_doses") if most_doses is None else most_doses,
        last_dose=plan.last_dose,
    )
    season = dog_season(dog, problem, scenarios=scenarios, open_days=open_days, today=today)
    if not season.open_days.any():
        sentence = "no day ahead is known on which its branch gives doses, so none can be dated"
        return _because(plan, Reason("no_open_day", sentence, HOUSE, known=False))
    if effect is not None:
        differ = unlike_the_record(dog.responded(therapy.id, today), effect)
        more = [Reason("response_by_scores", differ, HOUSE, known=False)] if differ else []
        plan = _because(plan, *more, _own_effect(effect, cover))
    return _weigh(plan, season, dog.past_flares(today), basis=basis)


def _weigh(
    plan: DosePlan, season: DogSeason, flares: tuple[date, ...], *, basis: Reason | None
) -> DosePlan:
    """Let the ways of dosing compete; a dog that is not ready gets no dose whatever wins."""
    problem = season.problem
    plan = replace(plan, uncovered_weeks=uncovered_weeks(problem, ()))
    if plan.verdict not in (Verdict.READY, Verdict.VET_MUST_DECIDE):
        return plan
    assert plan.price is not None
    plan = _because(plan, plan.price.reason, *([] if basis is None else [basis]))
    found = weigh(season, flares)
    others = (found.hold, *found.others)
    if plan.verdict is Verdict.VET_MUST_DECIDE:
        return replace(plan, trade=others)
    reason = why_not_dated(season, found)
    if reason is not None:
        return _because(replace(plan, trade=others), reason)
    assert plan.season is not None
    assert found.with_itch is not None
    best = found.best
    acts = best.dates[0] + timedelta(days=problem.cover.onset)
    before, later = plan.season.chance_begun_after(acts), cost_of_a_week(season, best)
    heavy = risk_weeks(problem)
    plan = replace(
        plan,
        doses=tuple(Dose(day, _why(season, day, heavy)) for day in best.dates),
        uncovered_weeks=uncovered_weeks(problem, best.dates),
        proposal=Proposal.DATED_DOSES,
        trade=(best, found.with_itch, *others),
        acts_before_season=before,
        week_later=later,
    )
    return _because(plan, _dated(found.with_itch, found.hold), _odds(before, later))


# ---------------------------------------------------------------------------------------- in words
def _why(season: DogSeason, day: date, heavy: Sequence[date]) -> str:
    """Say which of the dog's risk weeks, `heavy`, a dose covers, and what backs it."""
    weeks = [w for w in heavy if _acts_on(season.problem.cover, day, week=w)]
    seasons = ", ".join(str(year) for year in season.seasons_behind(day))
    spans = f"covers {len(weeks)} of the dog's risk weeks"
    if weeks:
        spans += f" (weeks of {weeks[0]} to {weeks[-1]})" if weeks[1:] else f" (week of {weeks[0]})"
    return f"{spans}; it flared in this part of the year in the seasons of {seasons}"


def _acts_on(cover: CoverCurve, dose: date, *, week: date) -> bool:
    middle = (week - dose).days + DAYS_IN_WEEK // 2
    return cover.share(middle) > 0


def why_not_dated(season: DogSeason, found: Weighed) -> Reason | None:
    """Return the reason to hold a slot instead of dating doses, or None."""
    if not season.has_pattern:
        sentence = (
            "no part of the weeks ahead has flares of this dog in "
            f"{days_rule('plan.seasons_needed')} earlier seasons or more: hold a slot and start "
            "at the first itch"
        )
        return Reason("no_pattern", sentence, HOUSE)
    hold, both = found.hold, found.with_itch
    if both is not None and both.total < hold.total:
        return None
    sentence = (
        "no planned dose spares enough: starting at the first itch is expected to cost "
        f"{hold.total:.2f} flare-weeks with doses priced in"
    )
    if both is not None:
        sentence += f", planned dates {both.total:.2f}"
    return Reason("hold_wins", sentence, HOUSE)


def _dated(both: Outcome, hold: Outcome) -> Reason:
    sentence = (
        f"planned dates, with a dose at itch besides, leave {both.uncovered_risk:.2f} expected "
        f"flare-weeks uncovered with {both.expected_doses:.1f} doses expected; starting at the "
        f"first itch {hold.uncovered_risk:.2f} with {hold.expected_doses:.1f}"
    )
    return Reason("dates_win", sentence, HOUSE)


def _own_effect(effect: EffectTime, cover: CoverCurve) -> Reason:
    sentence = (
        f"{effect.sentence}; planned as covered through day {cover.full_until} after a dose, then "
        f"less and less until day {cover.ends_at}"
    )
    return Reason("own_effect_time", sentence, HOUSE)


def _odds(before: float, later: float | None) -> Reason:
    sentence = f"the first dose acts before the dog's season begins with {before:.0%} odds"
    if later is not None:
        sentence += f"; given a week later or after, it costs {more_flare_weeks(later)}"
    return Reason("odds", sentence, HOUSE)


def more_flare_weeks(more: float) -> str:
    """Say how many flare-weeks more something costs; what would be 0.00 is "hardly any more"."""
    return f"{more:.2f} flare-weeks more" if more >= _SAID else "hardly any flare-weeks more"


_SAID = 0.005  # of two decimals, the least that is not 0.00


def _why_no_dates(therapy: Therapy, daily: Floats) -> list[Reason]:
    """Return the reason why dates cannot be worked out at all, or none."""
    if not therapy.planned_ahead:
        source = therapy.parameters["planned_ahead"].source
        return [Reason("not_planned_ahead", f"{therapy.words}: {source}", HOUSE)]
    if not np.isfinite(daily).all():
        sentence = "the risk of some weeks ahead is not known, so no dose can be dated"
        return [Reason("risk_not_known", sentence, HOUSE, known=False)]
    return []


def _undated(dog: DogRecord, therapy: Therapy, *, issue_id: str, ready: Readiness) -> DosePlan:
    return DosePlan(
        dog=dog.id,
        issue_id=issue_id,
        therapy=therapy.id,
        doses=(),
        uncovered_weeks=None,
        reasons=ready.reasons,
        verdict=ready.verdict,
        proposal=_WITHOUT_DOSE.get(ready.verdict, Proposal.HOLD_A_SLOT),
        loosened=ready.loosened,
    )


def _because(plan: DosePlan, *reasons: Reason) -> DosePlan:
    return replace(plan, reasons=(*plan.reasons, *reasons))


def _no_response(plan: DosePlan, effect: EffectTime) -> DosePlan:
    """Put a dog to the vet in which a dose probably does nothing, whatever was noted of it."""
    sentence = f"its own scores after doses speak against a response: {effect.sentence}"
    plan = _because(plan, Reason("response_unlikely", sentence, HOUSE))
    if plan.verdict is Verdict.READY:
        plan = replace(plan, proposal=Proposal.VET_DECIDES)
    return plan
