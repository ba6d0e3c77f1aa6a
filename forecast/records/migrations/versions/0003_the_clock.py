"""The clock: who started a run and how far it is, requests, notices, verified forecasts.

Revision ID: 0003
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

from forecast.records.table_parts import UtcDateTime

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_STARTERS = ("clock", "hand", "request")
_REQUEST_STATES = ("waiting", "claimed", "done", "failed", "refused")
_STARTER_RULE = "ck_job_run_started_by_is_known"


def upgrade() -> None:
    """Make the new tables; runs of before keep an empty starter."""
    with op.batch_alter_table("job_run", copy_from=_second_job_run()) as batch:
        batch.add_column(sa.Column("started_by", sa.String(), nullable=True))
        batch.add_column(sa.Column("progress", sa.Float(), nullable=True))
        batch.create_check_constraint(op.f(_STARTER_RULE), sa.column("started_by").in_(_STARTERS))
    _requests()
    _notices()
    _verification()


def downgrade() -> None:
    """Take the tables away again; requests, notices and verified forecasts are lost."""
    for table in ("verification", "notice", "work_request"):
        op.drop_table(table)
    with op.batch_alter_table("job_run", copy_from=_third_job_run()) as batch:
        batch.drop_constraint(op.f(_STARTER_RULE), type_="check")
        batch.drop_column("progress")
        batch.drop_column("started_by")


def _requests() -> None:
    op.create_table(
        "work_request",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("arguments", sa.JSON(), nullable=False),
        sa.Column("asked_by", sa.String(), nullable=False),
        sa.Column("asked_at", UtcDateTime(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("claimed_at", UtcDateTime(), nullable=True),
        sa.Column("ended_at", UtcDateTime(), nullable=True),
        sa.Column("progress", sa.Float(), nullable=True),
        sa.Column("run_id", sa.String(), nullable=True),
        sa.Column("result", sa.Text(), nullable=True),
        sa.CheckConstraint(
            sa.column("state").in_(_REQUEST_STATES), name=op.f("ck_work_request_state_is_known")
        ),
        sa.ForeignKeyConstraint(["run_id"], ["job_run.id"], name=op.f("fk_work_request_run_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_work_request")),
    )
    op.create_index(op.f("ix_work_request_state_asked_at"), "work_request", ["state", "asked_at"])


def _notices() -> None:
    op.create_table(
        "notice",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("about", sa.String(), nullable=False),
        sa.Column("sentence", sa.Text(), nullable=False),
        sa.Column("since", UtcDateTime(), nullable=False),
        sa.Column("over_at", UtcDateTime(), nullable=True),
        sa.Column("told_at", UtcDateTime(), nullable=True),
        sa.Column("told_over_at", UtcDateTime(), nullable=True),
        sa.Column("n_attempts", sa.Integer(), nullable=False),
        sa.Column("last_attempt_at", UtcDateTime(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notice")),
    )
    op.create_index(op.f("ix_notice_about"), "notice", ["about"])


def _verification() -> None:
    op.create_table(
        "verification",
        sa.Column("issue_id", sa.String(), nullable=False),
        sa.Column("region_id", sa.String(), nullable=False),
        sa.Column("week", sa.Date(), nullable=False),
        sa.Column("quantity", sa.String(), nullable=False),
        sa.Column("vintage_id", sa.String(), nullable=False),
        sa.Column("weeks_ahead", sa.Integer(), nullable=False),
        sa.Column("observed", sa.Float(), nullable=False),
        sa.Column("weighted_interval_score", sa.Float(), nullable=False),
        sa.Column("climatology_score", sa.Float(), nullable=False),
        sa.Column("inside_50", sa.Float(), nullable=False),
        sa.Column("inside_90", sa.Float(), nullable=False),
        sa.Column("odds_high", sa.Float(), nullable=True),
        sa.Column("was_high", sa.Boolean(), nullable=True),
        sa.ForeignKeyConstraint(["issue_id"], ["issue.id"], name=op.f("fk_verification_issue_id")),
        sa.ForeignKeyConstraint(
            ["vintage_id"], ["count_vintage.id"], name=op.f("fk_verification_vintage_id")
        ),
        sa.PrimaryKeyConstraint(
            "issue_id", "region_id", "week", "quantity", name=op.f("pk_verification")
        ),
    )


def _second_job_run(*more: sa.Column[Any] | sa.Constraint) -> sa.Table:
    return sa.Table(
        "job_run",
        sa.MetaData(),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("job", sa.String(), nullable=False),
        sa.Column("local_date", sa.Date(), nullable=False),
        sa.Column("cut", sa.JSON(), nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("n_rows", sa.Integer(), nullable=True),
        sa.Column("seconds", sa.Float(), nullable=True),
        sa.Column("result", sa.Text(), nullable=True),
        sa.Column("started_at", UtcDateTime(), nullable=False),
        *more,
        sa.PrimaryKeyConstraint("id", name="pk_job_run"),
        sa.Index("ix_job_run_job_local_date", "job", "local_date"),
    )


def _third_job_run() -> sa.Table:
    return _second_job_run(
        sa.Column("started_by", sa.String(), nullable=True),
        sa.Column("progress", sa.Float(), nullable=True),
        sa.CheckConstraint(sa.column("started_by").in_(_STARTERS), name=_STARTER_RULE),
    )
