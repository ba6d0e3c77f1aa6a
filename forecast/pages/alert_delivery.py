"""How an alert reaches owners: let it go, see its messages, decide doubts, withdraw it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from forecast.accounts.roles import Right
from forecast.alerts.doubts import Doubt, decide_doubt, doubts
from forecast.alerts.household import LeftOut
from forecast.alerts.mails import owner_mail
from forecast.alerts.message_counts import counts_of_states, in_words, standing
from forecast.alerts.outbox import ALERT, FOLDER, IN_DOUBT, LEFT_OUT, SENT, WAITING, WITHDRAWAL
from forecast.alerts.owner_mail import OwnerMail
from forecast.alerts.places import region_is_gone, region_name
from forecast.alerts.sending import preview_list, send_off, way_to_owners, withdraw_alert
from forecast.alerts.stranded import leave_out_stranded, stranded
from forecast.alerts.unsubscribing import opt_outs_of
from forecast.pages.alert import shown_cautions
from forecast.pages.alerts import is_theirs, local
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, View
from forecast.records.alerts import APPROVED, SENDING, WITHDRAWN, Alert, alerts
from forecast.records.alerts import SENT as ALERT_SENT

_SHOWN_LINK = "the-owners-own-link"


@dataclass(frozen=True)
class DeliveryPage:
    """How an alert's messages stand.

    Attributes
    ----------
    answer
        The page in one sentence.
    n_households
        Who would be written to, where it has not gone out; None afterwards.
    left_out
        How many owners are left out, by why.
    rows
        Messages by what, way, state and why.
    cautions
        What whoever sends or withdraws it has to know.
    doubts
        What a person must decide; owners by the practice's own number.
    since
        When each of them began, in local time.
    stranded
        What waits and cannot go, as practice.toml has its region or its way out no more.
    mail, plain
        The mail as an owner gets it, or its withdrawal; its plain part.
    """

    alert: Alert
    region: str
    answer: str
    way: str
    n_households: int | None
    left_out: Mapping[str, int]
    rows: tuple[Mapping[str, object], ...]
    cautions: tuple[str, ...]
    doubts: tuple[Doubt, ...]
    since: tuple[str, ...]
    stranded: tuple[str, ...]
    n_opted_out: int
    mail: OwnerMail
    plain: str
    may_send: bool
    may_withdraw: bool

    @property
    def is_going_out(self) -> bool:
        """Whether more of it comes by itself, so that it is worth a look again."""
        return self.alert.state == SENDING


def _delivery(asked: Asked) -> View | GoTo:
    alert = _alert(asked)
    if asked.request.method == "POST":
        return _done(asked, alert)
    messages = {"messages": _rows(asked, alert)}
    return View("alert_delivery.html", _page(asked, alert), tables=messages)


def _alert(asked: Asked) -> Alert:
    found = {one.id: one for one in alerts(asked.records)}.get(asked.path["alert"])
    if found is None or not is_theirs(asked, found):
        raise NotFoundError("there is no alert at this address for your branches")
    return found


def _done(asked: Asked, alert: Alert) -> GoTo:
    practice, records = asked.practice, asked.records
    by, what = asked.account.id if asked.account else None, asked.text("what")
    here = f"/alerts/{alert.id}/delivery"
    if what == "send":
        send_off(practice, records, alert.id, by=by)
        if way_to_owners(practice) == FOLDER:
            said = "Its mails are laid into the folder outbox now; somebody has to send them."
            return GoTo(here, said)
        return GoTo(here, "It goes out now, a message at a time, as the clock has time for it.")
    if what == "withdraw":
        withdraw_alert(practice, records, alert.id, why=asked.text("why"), by=by)
        return GoTo(
            here,
            "It is withdrawn. Those who got it are told so by a message; mails of it that still "
            "stood in the folder outbox are taken away.",
        )
    if what == "leave out":
        n = leave_out_stranded(practice, records, alert.id, by=by)
        return GoTo(here, f"Noted: {n} left out that could not go.")
    if what in ("arrived", "again"):
        message_id = asked.text("message")
        if message_id not in {one.message_id for one in doubts(records, alert.id)}:
            raise NotFoundError("this message is not in doubt any more; somebody decided on it")
        state = decide_doubt(
            records, message_id, arrived=what == "arrived", by=by, now=practice.now
        )
        return GoTo(here, f"Noted: the message is {state}.")
    raise NotFoundError("this form asks for nothing that there is; open the page again")


def _page(asked: Asked, alert: Alert) -> DeliveryPage:
    practice, records = asked.practice, asked.records
    region = region_name(practice, alert)
    rows, recipients = _rows(asked, alert), None
    messages = standing(records, alert.id)
    in_folder = sum(n for one, n in messages.items() if one[:3] == (ALERT, FOLDER, SENT))
    left_out = Counter[str]()
    for row in rows:
        if row["state"] == LEFT_OUT:
            left_out[str(row["why"])] += int(str(row["n"]))
    if alert.state == APPROVED:
        recipients = preview_list(practice, records, alert)
        left_out = Counter({why.value: n for why, n in recipients.left_out.items()})
    mail = owner_mail(practice, records, alert, WITHDRAWAL if is_withdrawn(alert) else ALERT)
    n_households = None if recipients is None else recipients.n_written_to
    return DeliveryPage(
        alert,
        region,
        _answer(alert, region, counts_of_states(messages, ALERT), n_households, in_folder),
        way_to_owners(practice),
        n_households,
        left_out,
        tuple(row for row in rows if row["state"] != LEFT_OUT),
        shown_cautions(asked, alert),
        tuple(found := doubts(records, alert.id)),
        tuple(local(asked, one.since) for one in found),
        tuple(f"{one.sentence}." for one in stranded(practice, records, alert.id)),
        opt_outs_of(records, alert.id),
        mail,
        mail.text(_SHOWN_LINK),
        may_send=alert.state == APPROVED and not region_is_gone(practice, alert.region_id),
        may_withdraw=alert.state in (APPROVED, SENDING, ALERT_SENT),
    )


def _rows(asked: Asked, alert: Alert) -> list[Mapping[str, object]]:
    """Return the messages counted; an owner told by another's message is no household apart."""
    same = LeftOut.SAME_HOUSEHOLD.value
    return [
        {"what": news, "way": way, "state": in_words(way, state), "why": why, "n": n}
        for (news, way, state, why), n in sorted(standing(asked.records, alert.id).items())
        if why != same
    ]


def is_withdrawn(alert: Alert) -> bool:
    """Say whether an alert that went out is withdrawn, so that owners get that."""
    return alert.state == WITHDRAWN and alert.sent_at is not None


def _answer(
    alert: Alert, region: str, counts: Mapping[str, int], n: int | None, in_folder: int
) -> str:
    about = f"The alert for {region}"
    if n is not None:
        households = "1 household" if n == 1 else f"{n} households"
        return f"{about} is approved and would go to {households}."
    if alert.state not in (SENDING, ALERT_SENT, WITHDRAWN):
        return f"{about} is not approved, so nobody is written to."
    if alert.state == SENDING and not counts:
        return f"{about} goes out: its list is being drawn up."
    sent, waiting, doubt = (counts.get(one, 0) for one in (SENT, WAITING, IN_DOUBT))
    households = "1 household" if sent == 1 else f"{sent} households"
    told = f"{about} was handed over for {households}"
    if in_folder and in_folder == sent:
        told = f"{about} was laid into the folder outbox for {households}"
        told += ", and mailed to nobody by this service"
    told += f"; {waiting} wait" if waiting else ""
    told += f"; of {doubt} it is not known whether they have it" if doubt else ""
    return f"{told}{'; it is withdrawn' if alert.state == WITHDRAWN else ''}."


PAGES = (
    Page(
        "/alerts/{alert}/delivery",
        "alert-delivery",
        Right.SEND_ALERTS,
        _delivery,
        methods=("GET", "POST"),
        has_data=True,
    ),
)
