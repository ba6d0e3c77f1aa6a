"""Alerts to owners: the rule of a region, drafts, approval, and what came of those before."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jobs.cli.options import PracticeFolder

if TYPE_CHECKING:
    from forecast.practice import Practice
    from forecast.records import Records

alert = typer.Typer(
    rich_markup_mode=None,
    no_args_is_help=True,
    help="Alerts to the owners of a region: rule, draft, approval, record.",
)
AlertId = Annotated[str, typer.Argument(metavar="ALERT", help="Its id, as `alert show` lists it.")]
_QUESTION = (
    "Of ten alerts, how many must be followed by a week with many flares for you to be content"
)


@alert.command()
def rule(
    region: Annotated[
        str | None, typer.Argument(metavar="[REGION]", help="Its id in practice.toml.")
    ] = None,
    every: Annotated[
        bool, typer.Option("--all", help="In place of REGION: the same for all regions.")
    ] = False,
    cost: Annotated[
        float | None, typer.Option(help="What an alert costs you, in a unit of your own.")
    ] = None,
    loss: Annotated[
        float | None,
        typer.Option(help="What a high week costs that nobody was warned of, same unit."),
    ] = None,
    right: Annotated[
        int | None, typer.Option(help="In place of both: right alerts of ten that content you.")
    ] = None,
    kind: Annotated[
        list[str] | None, typer.Option(help="Speak of this alone; say it again for more.")
    ] = None,
    lead: Annotated[
        tuple[int, int] | None, typer.Option(help="Fewest and most days ahead.", metavar="FROM TO")
    ] = None,
    gap: Annotated[int | None, typer.Option(help="Least days between two alerts.")] = None,
    off_share: Annotated[
        float | None, typer.Option(help="Quiet again below this share of the threshold.")
    ] = None,
    budget: Annotated[int | None, typer.Option(help="Most alerts an owner and year.")] = None,
    without_skill: Annotated[
        str, typer.Option(help="hold, or send without odds, while skill is not known.")
    ] = "hold",
    switch: Annotated[
        bool | None, typer.Option("--on/--off", help="Switch the rule as it stands on or off.")
    ] = None,
    practice: PracticeFolder = Path(),
) -> None:
    """State the rule of a region or of all, see what it would have done, then switch it on."""
    from forecast.alerts.rules import Stated, from_right_of_ten, set_rules, switch_all
    from jobs.console_alerts import show_rule, show_simulation

    with _records(practice) as (opened, records):
        regions = _asked_regions(opened, region, every)
        if switch is not None:
            for held in switch_all(records, regions, on=switch, by=None, now=opened.now):
                show_rule(held)
            return
        if cost is None or loss is None:
            cost, loss = from_right_of_ten(right if right is not None else _ask_right())
        stated = Stated(
            cost,
            loss,
            shortest_lead=lead[0] if lead else None,
            longest_lead=lead[1] if lead else None,
            gap=gap,
            off_share=off_share,
            budget=budget,
            without_skill="send" if without_skill == "send" else "hold",
            **({"kinds": kind} if kind else {}),
        )
        if without_skill not in ("hold", "send"):
            raise typer.BadParameter("--without-skill is hold or send")
        for made, shown in set_rules(opened, records, regions, stated, by=None, now=opened.now):
            show_rule(made)
            show_simulation(shown, with_pooled=made.region_id == regions[-1])


def _asked_regions(practice: Practice, region: str | None, every: bool) -> list[str]:
    if (region is None) != every:
        raise typer.BadParameter("name one REGION, or say --all")
    return [region] if region is not None else [one.id for one in practice.settings.region]


def _ask_right() -> int:
    import sys

    from forecast.alerts.errors import AlertError

    if not sys.stdin.isatty():
        raise AlertError(
            "a rule was to be stated without its costs; give --cost and --loss, or --right: of ten "
            "alerts, how many must be right for you to be content"
        )
    return int(typer.prompt(_QUESTION, type=int))


@alert.command()
def draft(
    region: Annotated[
        str | None, typer.Argument(metavar="[REGION]", help="One region, asked for by hand.")
    ] = None,
    kind: Annotated[
        str, typer.Option(help="What a draft asked for by hand speaks of.")
    ] = "season near",
    practice: PracticeFolder = Path(),
) -> None:
    """Draft what is due in every region; or one region's by hand, if its odds bear it out."""
    from forecast.alerts.desk import draft_by_hand, kind_of
    from forecast.issuing import latest_issue
    from jobs.alerts import draft_alerts, sentence_of
    from jobs.console import paragraph, say
    from jobs.console_alerts import show_alert

    with _records(practice) as (opened, records):
        made = latest_issue(opened, records)
        if region is None:
            drafted = draft_alerts(opened, records, made, say=say)
            paragraph(f"{sentence_of(drafted).capitalize()}.")
            for name, why in drafted.why.items():
                paragraph(f"{name}: {why}.")
            found = list(drafted.alerts)
        else:
            found = [draft_by_hand(opened, records, made, region, kind=kind_of(kind), by=None)]
        for one in found:
            show_alert(opened, records, one)


@alert.command()
def show(
    alert_id: Annotated[
        str | None, typer.Argument(metavar="[ALERT]", help="One alert, with its whole text.")
    ] = None,
    practice: PracticeFolder = Path(),
) -> None:
    """List rules and alerts; or show one alert as an owner would read it, and what hinders it."""
    from forecast.records import alerts as held
    from jobs.console_alerts import show_alert, show_alerts

    with _records(practice) as (opened, records):
        if alert_id is None:
            show_alerts(opened, records)
        else:
            show_alert(opened, records, held.alert(records, alert_id))


@alert.command()
def approve(
    alert_id: AlertId,
    blocks: Annotated[
        bool,
        typer.Option("--blocks", help="As a vet: approve the fixed blocks of a language, ALERT."),
    ] = False,
    practice: PracticeFolder = Path(),
) -> None:
    """Approve an alert's exact text. The command line counts as one person, whoever types."""
    from forecast.alerts.approving import approve as approve_alert
    from forecast.alerts.approving import approve_blocks
    from forecast.records import alert_texts as texts_held
    from forecast.records import alerts as held
    from jobs.console import paragraph
    from jobs.console_alerts import show_alert, show_text

    with _records(practice) as (opened, records):
        if blocks:
            show_text(approve_blocks(records, alert_id, by=None, now=opened.now))
            paragraph(f"The fixed blocks of the language {alert_id} are approved as they stand.")
            return
        made = held.alert(records, alert_id)
        show_alert(opened, records, made)
        texts = texts_held.texts(records, alert_id).values()
        made = approve_alert(
            opened,
            records,
            alert_id,
            shown_sha256=texts_held.texts_sha256(texts),
            n_recipients=None,
            by=None,
        )
        if made.state == held.APPROVED:
            paragraph(f"Alert {made.id} is approved.")
        else:
            paragraph(f"Noted; another person has to approve alert {made.id} too (four eyes).")


@alert.command()
def record(practice: PracticeFolder = Path()) -> None:
    """Hold the alerts that were sent against the weeks that came."""
    from forecast.alerts.record import record_of_alerts
    from jobs.console_alerts import show_tally

    with _records(practice) as (opened, records):
        show_tally(record_of_alerts(opened, records))


@contextmanager
def _records(folder: Path) -> Iterator[tuple[Practice, Records]]:
    from forecast.practice import open_practice
    from forecast.records import open_records

    opened = open_practice(folder)
    records = open_records(opened)
    try:
        yield opened, records
    finally:
        records.close()
