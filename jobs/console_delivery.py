"""What `forepaw alert send` and `withdraw` print: who is written to, and how it stands."""

from __future__ import annotations

from forecast.alerts.doubts import doubts
from forecast.alerts.message_counts import in_words, standing
from forecast.alerts.outbox import ALERT, WITHDRAWAL
from forecast.alerts.recipients import RecipientList
from forecast.alerts.stranded import stranded
from forecast.alerts.unsubscribing import opt_outs_of
from forecast.practice import Practice
from forecast.records.alerts import Alert
from forecast.records.engine import Records
from jobs.console import heading, new_table, paragraph, print_table

_NEWS = {ALERT: "The alert", WITHDRAWAL: "Its withdrawal"}


def show_list(recipients: RecipientList) -> None:
    """Print how many households are written to, and why others are not."""
    paragraph(f"{recipients.n_written_to} households would be written to.")
    for why, n in recipients.left_out.items():
        paragraph(f"{n} owners left out: {why}")


def show_delivery(practice: Practice, records: Records, alert: Alert) -> None:
    """Print how an alert's messages stand, and what a person must decide."""
    heading(f"Alert {alert.id} ({alert.region_id}, {alert.kind}): {alert.state}")
    counts = standing(records, alert.id)
    if not counts:
        paragraph("Its list is not drawn yet; the clock does that, or `forepaw alert send`.")
        return
    table = new_table("what", "by", "state", "messages", "why")
    for (news, way, state, why), n in sorted(counts.items()):
        table.add_row(_NEWS[news], way, in_words(way, state), f"{n}", why)
    print_table(table)
    paragraph(f"{opt_outs_of(records, alert.id)} owners unsubscribed by the link in it.")
    waiting = stranded(practice, records, alert.id)
    for some in waiting:
        paragraph(f"{some.sentence}.")
    if waiting:
        paragraph(
            "Put it back in practice.toml, or leave them out: "
            f"`forepaw alert send {alert.id} --leave-out`."
        )
    open_doubts = doubts(records, alert.id)
    if open_doubts:
        heading("In doubt: nobody knows whether these arrived, so they are not sent again")
        listed = new_table("message", "owner", "by", "since", "why")
        for one in open_doubts:
            since = f"{one.since:%Y-%m-%d %H:%M} UTC"
            listed.add_row(one.message_id, one.owner_number, one.way, since, one.why)
        print_table(listed)
        paragraph(
            "Ask the owner or look into the mail server's log; then "
            f"`forepaw alert send {alert.id} --arrived MESSAGE`, or --again MESSAGE."
        )
