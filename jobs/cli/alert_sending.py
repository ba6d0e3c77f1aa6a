"""Alerts on their way: let one go, withdraw it, decide doubts, bounces and consent."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from jobs.cli.options import PracticeFolder

if TYPE_CHECKING:
    from forecast.practice import Practice
    from forecast.records import Records
    from forecast.records.alerts import Alert

AlertId = Annotated[str, typer.Argument(metavar="ALERT", help="Its id, as `alert show` lists it.")]


def send(
    alert_id: Annotated[
        str | None, typer.Argument(metavar="[ALERT]", help="The alert to let go.")
    ] = None,
    now: Annotated[
        bool,
        typer.Option("--now/--later", help="Hand messages over now, or leave it to the clock."),
    ] = True,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    arrived: Annotated[
        list[str] | None, typer.Option(metavar="MESSAGE", help="In doubt: it did arrive.")
    ] = None,
    again: Annotated[
        list[str] | None,
        typer.Option(metavar="MESSAGE", help="In doubt: it did not arrive, send it once more."),
    ] = None,
    again_refused: Annotated[
        bool, typer.Option(help="Try what was refused or given up once more, of ALERT.")
    ] = False,
    leave_out: Annotated[
        bool,
        typer.Option(help="Leave out what waits of ALERT and cannot go, as practice.toml stands."),
    ] = False,
    practice: PracticeFolder = Path(),
) -> None:
    """Let an approved alert go, hand over what is due, show how it stands and what is in doubt.

    Without ALERT what waits of all alerts is handed over. A message in doubt is never sent again by
    itself: say --arrived or --again with its id.
    """
    from forecast.alerts.doubts import decide_doubt, try_again
    from forecast.alerts.stranded import leave_out_stranded
    from forecast.records import alerts as held
    from jobs.alert_delivery import deliver_alone
    from jobs.console import paragraph, say
    from jobs.console_alerts import show_cautions
    from jobs.console_delivery import show_delivery, show_list

    with _opened(practice) as (opened, records):
        decided = [(one, True) for one in arrived or ()] + [(one, False) for one in again or ()]
        for message_id, has_come in decided:
            state = decide_doubt(records, message_id, arrived=has_come, by=None, now=opened.now)
            paragraph(f"Message {message_id} is {state}.")
        if alert_id is not None and again_refused:
            n_again = try_again(records, alert_id, by=None, now=opened.now)
            paragraph(f"{n_again} messages that were refused or given up wait again.")
        if alert_id is not None and leave_out:
            n_left_out = leave_out_stranded(opened, records, alert_id, by=None)
            paragraph(f"{n_left_out} messages that could not go are left out.")
        if alert_id is not None and held.alert(records, alert_id).state == held.APPROVED:
            from forecast.alerts.sending import preview_list, send_off

            recipients = preview_list(opened, records, held.alert(records, alert_id))
            show_cautions(opened, records, held.alert(records, alert_id))
            show_list(recipients)
            if not yes:
                typer.confirm(f"Write to {recipients.n_written_to} households?", abort=True)
            send_off(opened, records, alert_id, by=None)
        if now:
            deliver_alone(opened, records, say=say)
        ids = [alert_id] if alert_id is not None else [one.id for one in _on_their_way(records)]
        for one in ids:
            show_delivery(opened, records, held.alert(records, one))


def withdraw(
    alert_id: AlertId,
    why: Annotated[str, typer.Option(help="For the record; owners are not told it.")],
    now: Annotated[
        bool,
        typer.Option("--now/--later", help="Hand messages over now, or leave it to the clock."),
    ] = True,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    practice: PracticeFolder = Path(),
) -> None:
    """Withdraw an alert: who waits for it gets nothing, and who got it is told so."""
    from forecast.alerts.sending import withdraw_alert
    from forecast.records import alerts as held
    from jobs.alert_delivery import deliver_alone
    from jobs.console import say
    from jobs.console_delivery import show_delivery

    with _opened(practice) as (opened, records):
        if not yes:
            typer.confirm(f"Withdraw alert {alert_id}?", abort=True)
        withdraw_alert(opened, records, alert_id, why=why, by=None)
        if now:
            deliver_alone(opened, records, say=say)
        show_delivery(opened, records, held.alert(records, alert_id))


def consent(
    number: Annotated[str, typer.Argument(metavar="NUMBER", help="The practice's own number.")],
    answer: Annotated[Literal["yes", "no"], typer.Argument(help="May alerts come by mail?")],
    practice: PracticeFolder = Path(),
) -> None:
    """Write down what an owner said about alerts by mail; yes also lifts what stopped them."""
    from forecast.alerts.unsubscribing import record_consent

    with _opened(practice) as (opened, records):
        day = opened.local_date
        record_consent(records, number, answer, by=None, now=opened.now, today=day)
        print(f"The owner {number} said {answer} to alerts by mail.")


def bounces(
    files: Annotated[
        list[Path], typer.Argument(metavar="FILE...", help="Mails that came back (.eml, mbox).")
    ],
    practice: PracticeFolder = Path(),
) -> None:
    """Read mails that came back: addresses that are not there are not written to any more."""
    from forecast.alerts.bounces import take_bounces

    with _opened(practice) as (opened, records):
        for file in files:
            print(f"{file.name}: {take_bounces(records, file, now=opened.now).sentence}")


def _on_their_way(records: Records) -> list[Alert]:
    from forecast.records import alerts as held

    return [*held.alerts(records, states=(held.SENDING, held.WITHDRAWN))]


@contextmanager
def _opened(folder: Path) -> Iterator[tuple[Practice, Records]]:
    from forecast.practice import open_practice
    from jobs.opening import open_all

    opened = open_practice(folder)
    records, _ = open_all(opened)
    try:
        yield opened, records
    finally:
        records.close()
