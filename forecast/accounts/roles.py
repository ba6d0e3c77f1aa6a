"""Roles and the rights they carry: each role has the least that its work takes.

A right is what a page or a command asks for; a role is what a person is given. No role holds
every right: an administrator reads no clinical notes and signs no plan; a manager sees dogs and
their plans and says which vet looks after them, but reads no notes, sees no owner's contact and
records no care.
"""

from __future__ import annotations

from enum import StrEnum

from models.errors import ForepawError


class RoleError(ForepawError):
    """A role that there is none of."""


class Right(StrEnum):
    """Something a page lets a person do, or see."""

    OWN_ACCOUNT = "see to one's own password and sessions"
    SEE_FORECAST = "see forecasts"
    SEE_DATA = "see sources, runs and imports"
    BRING_DATA = "bring files and ask for runs"
    SEE_DOGS = "see dogs and their plans"
    SEE_NOTES = "read clinical notes"
    LABEL_VISITS = "label visits"
    RECORD_CARE = "record scores, weights and doses"
    SEE_CONTACTS = "see owners' contacts"
    SIGN_PLANS = "sign plans"
    SHARE_OUT_DOGS = "say which vet looks after which dogs"
    SEE_STAFFING = "see plans of staff and stock"
    PLAN_STAFF = "plan staff and stock"
    PREPARE_ALERTS = "draft and approve alerts"
    SEND_ALERTS = "send alerts"
    MANAGE_PEOPLE = "invite people and set their roles"


class Role(StrEnum):
    """What a person is in the practice."""

    MANAGER = "manager"
    VET = "vet"
    NURSE = "nurse"
    DESK = "desk"
    ADMINISTRATOR = "administrator"


RIGHTS: dict[Role, frozenset[Right]] = {
    Role.MANAGER: frozenset(
        {
            *(Right.SEE_FORECAST, Right.SEE_DATA, Right.BRING_DATA, Right.SEE_DOGS),
            *(Right.PLAN_STAFF, Right.PREPARE_ALERTS, Right.SHARE_OUT_DOGS, Right.SEE_STAFFING),
        }
    ),
    Role.VET: frozenset(
        {
            *(Right.SEE_FORECAST, Right.SEE_DATA, Right.SEE_DOGS, Right.SEE_NOTES),
            *(Right.LABEL_VISITS, Right.RECORD_CARE, Right.SEE_CONTACTS),
            *(Right.SIGN_PLANS, Right.PREPARE_ALERTS, Right.SHARE_OUT_DOGS, Right.SEE_STAFFING),
        }
    ),
    Role.NURSE: frozenset({Right.SEE_FORECAST, Right.SEE_DOGS, Right.SEE_NOTES, Right.RECORD_CARE}),
    Role.DESK: frozenset({Right.SEE_FORECAST, Right.SEE_DOGS, Right.SEE_CONTACTS}),
    Role.ADMINISTRATOR: frozenset(
        {
            *(Right.SEE_FORECAST, Right.SEE_DATA, Right.BRING_DATA),
            *(Right.SEE_STAFFING, Right.PLAN_STAFF),
            *(Right.PREPARE_ALERTS, Right.SEND_ALERTS, Right.MANAGE_PEOPLE),
        }
    ),
}


def role_of(word: str) -> Role:
    """Return the role of a word that somebody typed."""
    try:
        return Role(word.strip().lower())
    except ValueError:
        raise RoleError(
            f"the role {word!r} was asked for; the roles are {', '.join(Role)}"
        ) from None


def rights_of(role: Role) -> frozenset[Right]:
    """Return what a role lets a person do; everybody sees to their own account."""
    return RIGHTS[role] | {Right.OWN_ACCOUNT}
