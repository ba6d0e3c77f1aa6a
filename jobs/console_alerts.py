"""What `forepaw alert` prints."""

from __future__ import annotations

from forecast.alerts.approving import hindrances
from forecast.alerts.cautions import cautions
from forecast.alerts.judging import Tally
from forecast.alerts.outlook import held_issue
from forecast.alerts.record import record_of_alerts
from forecast.alerts.rules import threshold_sentence
from forecast.alerts.simulating import Simulation
from forecast.practice import Practice
from forecast.records import alert_rules as rules_held
from forecast.records import alert_texts as texts_held
from forecast.records import alerts as held
from forecast.records.alert_rules import AlertRule
from forecast.records.alerts import Alert
from forecast.records.engine import Records
from forecast.records.issues import newest_issue
from forecast.wording import day, days
from jobs.console import console, heading, new_table, paragraph, print_table


def show_rule(rule: AlertRule) -> None:
    """Print a rule in sentences."""
    state = "on" if rule.is_on else "off"
    paragraph(f"Alert rule of {rule.region_id}, switched {state}. {threshold_sentence(rule)}")
    skill = (
        "Nothing is sent while skill is not known."
        if rule.without_skill == "hold"
        else "While skill is not known it is sent without odds."
    )
    paragraph(
        f"It speaks {rule.shortest_lead} to {rule.longest_lead} days ahead of {listed(rule)}; "
        f"{rule.gap} days at least lie between two alerts, and an owner gets at most "
        f"{rule.budget} a year. {skill}"
    )


def listed(rule: AlertRule) -> str:
    """Join the kinds of a rule."""
    return ", ".join(rule.kinds)


def show_simulation(shown: Simulation, *, with_pooled: bool) -> None:
    """Print what a rule would have done in past seasons; in all regions together if asked so."""
    heading("What it would have done")
    paragraph(f"Simulated on {shown.rests_on}.")
    paragraph(f"Here: {shown.own.sentence}.")
    if with_pooled and shown.n_regions > 1:
        paragraph(f"The same rule in all {shown.n_regions} regions: {shown.pooled.sentence}.")
    if shown.own.outcomes:
        show_outcomes(shown.own)
    paragraph("It is switched off: `--on` switches it on as it stands.")


def show_outcomes(tally: Tally) -> None:
    """Print alerts with what came of them."""
    table = new_table("said on", "region", "kind", "weeks", "odds", "came")
    for one in tally.outcomes:
        given = one.given
        odds = "" if given.odds is None else f"{given.odds:.0%}"
        weeks = days(given.weeks[0], given.last_day)
        table.add_row(f"{given.day}", given.region_id, given.kind, weeks, odds, one.words)
    print_table(table)


def show_tally(tally: Tally) -> None:
    """Print the record of the alerts that were sent."""
    paragraph(f"{tally.sentence}.")
    if tally.outcomes:
        show_outcomes(tally)
    scores = {name: value for name, value in tally.scores.items() if value is not None}
    if scores:
        heading("Weeks warned of and not, high and not")
        cells = tally.by_week
        paragraph(
            f"hits {cells.hits}, false alarms {cells.false_alarms}, misses {cells.misses}, "
            f"correct negatives {cells.correct_negatives}, not known {cells.not_known}"
        )
        if tally.detection is not None:
            paragraph("; ".join(f"{k.replace('_', ' ')} {v:.2f}" for k, v in scores.items()))


def show_alerts(practice: Practice, records: Records) -> None:
    """Print the rule of every region and all alerts, the newest first."""
    rules, looks = rules_held.rules_in_force(records), rules_held.last_looks(records)
    for region in practice.settings.region:
        rule, look = rules.get(region.id), looks.get(region.id)
        if rule is None:
            paragraph(
                f"{region.id}: no alert rule yet; `forepaw alert rule {region.id}` states one."
            )
            continue
        show_rule(rule)
        if look is not None:
            paragraph(f"Last look, by issue {look.issue_id}: {look.why}.")
    found = held.alerts(records)
    if found:
        table = new_table("alert", "region", "kind", "weeks", "made", "stands")
        for one in found:
            made = one.made_at.astimezone(practice.time_zone)
            weeks = days(one.first_week, one.last_day)
            table.add_row(one.id, one.region_id, one.kind, weeks, f"{made:%Y-%m-%d}", one.state)
        print_table(table)


def show_alert(practice: Practice, records: Records, made: Alert) -> None:
    """Print an alert as an owner would read it, with what hinders it and the past record."""
    made_on = made.made_at.astimezone(practice.time_zone).date()
    heading(f"Alert {made.id}: {made.kind}, {made.region_id}, {made.state}")
    paragraph(
        f"Drafted {day(made_on)} {made_on.year} from issue {made.issue_id}; about "
        f"{days(made.first_week, made.last_day)}."
    )
    for code, text in texts_held.texts(records, made.id).items():
        heading(f"{code}, version {text.number}: {text.subject}")
        show_text(text.whole)
    before = record_of_alerts(practice, records, kind=made.kind)
    paragraph(f"Record of such alerts: {before.sentence}.")
    show_cautions(practice, records, made)
    if made.state == held.DRAFT:
        for one in hindrances(practice, records, made):
            paragraph(f"Not to be approved: {one}.")


def show_cautions(practice: Practice, records: Records, made: Alert) -> None:
    """Print what whoever decides on an alert has to know of it."""
    newest = newest_issue(records)
    for one in cautions(
        practice,
        records,
        made,
        drafted_from=held_issue(practice, records, made.issue_id),
        newest=None if newest is None else held_issue(practice, records, newest.id),
    ):
        paragraph(f"Caution: {one}")


def show_text(text: str) -> None:
    """Print a text as it is."""
    console.print(text, markup=False, soft_wrap=False)
