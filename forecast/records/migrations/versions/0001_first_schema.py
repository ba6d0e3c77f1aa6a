"""The first schema: who, what was imported, counts, issues, plans, runs.

Revision ID: 0001
"""

import sqlalchemy as sa
from alembic import op

from forecast.records.schema import VERSION_TABLE

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make every table."""
    _who_and_where()
    _imports()
    _visits_and_therapies()
    _scores_and_facts()
    _counts()
    _issues()
    _plans_and_runs()


def _who_and_where() -> None:
    op.create_table(
        "branch",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("region_id", sa.String(), nullable=False),
        sa.Column("open_days", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_branch")),
    )
    op.create_table(
        "owner",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("reference", sa.String(), nullable=True),
        sa.Column("name", sa.String(), nullable=True),
        sa.Column("contact", sa.String(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_owner")),
        sa.UniqueConstraint("reference", name=op.f("uq_owner_reference")),
    )
    op.create_table(
        "dog",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("owner_id", sa.String(), nullable=True),
        sa.Column("species", sa.String(), nullable=True),
        sa.Column("breed", sa.String(), nullable=True),
        sa.Column("birth_date", sa.Date(), nullable=True),
        sa.Column("sex", sa.String(), nullable=True),
        sa.Column("neutered", sa.Boolean(), nullable=True),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("home_region", sa.String(), nullable=True),
        sa.Column("branch_id", sa.String(), nullable=True),
        sa.CheckConstraint("sex IN ('female', 'male')", name=op.f("ck_dog_sex_is_known")),
        sa.CheckConstraint(
            "status IN ('active', 'dead', 'rehomed', 'moved', 'left', 'not known')",
            name=op.f("ck_dog_status_is_known"),
        ),
        sa.ForeignKeyConstraint(["branch_id"], ["branch.id"], name=op.f("fk_dog_branch_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_dog")),
    )
    op.create_index(op.f("ix_dog_owner_id"), "dog", ["owner_id"], unique=False)
    op.create_table(
        "dog_identity",
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("reference", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=True),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_dog_identity_dog_id")),
        sa.PrimaryKeyConstraint("dog_id", name=op.f("pk_dog_identity")),
        sa.UniqueConstraint("reference", name=op.f("uq_dog_identity_reference")),
    )


def _imports() -> None:
    op.create_table(
        "imported_file",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("file_name", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("n_rows", sa.Integer(), nullable=False),
        sa.Column("imported_at", sa.DateTime(), nullable=False),
        sa.CheckConstraint(
            "state IN ('pending', 'live', 'undone')", name=op.f("ck_imported_file_state_is_known")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_imported_file")),
    )
    op.create_index(op.f("ix_imported_file_sha256"), "imported_file", ["sha256"], unique=False)


def _visits_and_therapies() -> None:
    op.create_table(
        "visit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.Column("reference", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("branch_id", sa.String(), nullable=False),
        sa.Column("dog_id", sa.String(), nullable=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('itch flare', 'recheck', 'scheduled dose', 'other')",
            name=op.f("ck_visit_kind_is_known"),
        ),
        sa.ForeignKeyConstraint(["branch_id"], ["branch.id"], name=op.f("fk_visit_branch_id")),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_visit_dog_id")),
        sa.ForeignKeyConstraint(
            ["import_id"], ["imported_file.id"], name=op.f("fk_visit_import_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_visit")),
    )
    op.create_index(op.f("ix_visit_dog_id_date"), "visit", ["dog_id", "date"], unique=False)
    op.create_index(op.f("ix_visit_import_id"), "visit", ["import_id"], unique=False)
    op.create_table(
        "therapy_event",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("therapy", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("until", sa.Date(), nullable=True),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("responded", sa.Boolean(), nullable=True),
        sa.CheckConstraint(
            "reason IN ('itch', 'calendar', 'not known')",
            name=op.f("ck_therapy_event_reason_is_known"),
        ),
        sa.CheckConstraint(
            "status IN ('given', 'dispensed', 'declined')",
            name=op.f("ck_therapy_event_status_is_known"),
        ),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_therapy_event_dog_id")),
        sa.ForeignKeyConstraint(
            ["import_id"], ["imported_file.id"], name=op.f("fk_therapy_event_import_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_therapy_event")),
    )
    op.create_index(op.f("ix_therapy_event_dog_id"), "therapy_event", ["dog_id"], unique=False)
    op.create_index(
        op.f("ix_therapy_event_import_id"), "therapy_event", ["import_id"], unique=False
    )


def _scores_and_facts() -> None:
    op.create_table(
        "pruritus_score",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("pvas", sa.Float(), nullable=False),
        sa.Column("scorer", sa.String(), nullable=False),
        sa.CheckConstraint(
            "pvas >= 0 AND pvas <= 10", name=op.f("ck_pruritus_score_pvas_runs_from_0_to_10")
        ),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_pruritus_score_dog_id")),
        sa.ForeignKeyConstraint(
            ["import_id"], ["imported_file.id"], name=op.f("fk_pruritus_score_import_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pruritus_score")),
    )
    op.create_index(op.f("ix_pruritus_score_dog_id"), "pruritus_score", ["dog_id"], unique=False)
    op.create_index(
        op.f("ix_pruritus_score_import_id"), "pruritus_score", ["import_id"], unique=False
    )
    op.create_table(
        "dog_fact",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("word", sa.String(), nullable=True),
        sa.Column("number", sa.Float(), nullable=True),
        sa.Column("date", sa.Date(), nullable=False),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_dog_fact_dog_id")),
        sa.ForeignKeyConstraint(
            ["import_id"], ["imported_file.id"], name=op.f("fk_dog_fact_import_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_dog_fact")),
    )
    op.create_index(op.f("ix_dog_fact_dog_id"), "dog_fact", ["dog_id"], unique=False)
    op.create_index(op.f("ix_dog_fact_import_id"), "dog_fact", ["import_id"], unique=False)


def _counts() -> None:
    op.create_table(
        "count_vintage",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("known_on", sa.Date(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("case_definition", sa.String(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.CheckConstraint(
            "kind IN ('as finally known', 'as known then')",
            name=op.f("ck_count_vintage_kind_is_known"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_count_vintage")),
    )
    op.create_table(
        "count_week",
        sa.Column("vintage_id", sa.String(), nullable=False),
        sa.Column("region_id", sa.String(), nullable=False),
        sa.Column("week", sa.Date(), nullable=False),
        sa.Column("flare_visits", sa.Float(), nullable=True),
        sa.Column("consultations", sa.Float(), nullable=True),
        sa.Column("covered_share", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(
            ["vintage_id"], ["count_vintage.id"], name=op.f("fk_count_week_vintage_id")
        ),
        sa.PrimaryKeyConstraint("vintage_id", "region_id", "week", name=op.f("pk_count_week")),
    )


def _issues() -> None:
    op.create_table(
        "settings_text",
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_settings_text")),
    )
    op.create_table(
        "issue",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("issued_at", sa.DateTime(), nullable=False),
        sa.Column("origin", sa.Date(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("model_hash", sa.String(), nullable=False),
        sa.Column("settings_sha256", sa.String(), nullable=False),
        sa.Column("seed", sa.BigInteger(), nullable=False),
        sa.Column("file", sa.String(), nullable=False),
        sa.Column("file_sha256", sa.String(), nullable=False),
        sa.Column("climate_snapshot", sa.String(), nullable=False),
        sa.Column("visit_vintage", sa.String(), nullable=True),
        sa.CheckConstraint("kind IN ('issued', 'hindcast')", name=op.f("ck_issue_kind_is_known")),
        sa.ForeignKeyConstraint(
            ["settings_sha256"], ["settings_text.sha256"], name=op.f("fk_issue_settings_sha256")
        ),
        sa.ForeignKeyConstraint(
            ["visit_vintage"], ["count_vintage.id"], name=op.f("fk_issue_visit_vintage")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_issue")),
    )
    op.create_table(
        "issue_region",
        sa.Column("issue_id", sa.String(), nullable=False),
        sa.Column("region_id", sa.String(), nullable=False),
        sa.Column("summary", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["issue_id"], ["issue.id"], name=op.f("fk_issue_region_issue_id")),
        sa.PrimaryKeyConstraint("issue_id", "region_id", name=op.f("pk_issue_region")),
    )


def _plans_and_runs() -> None:
    op.create_table(
        "dose_plan",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("issue_id", sa.String(), nullable=False),
        sa.Column("therapy", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("signed_by", sa.String(), nullable=True),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("uncovered_weeks", sa.JSON(), nullable=False),
        sa.Column("reasons", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_dose_plan_dog_id")),
        sa.ForeignKeyConstraint(["issue_id"], ["issue.id"], name=op.f("fk_dose_plan_issue_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_dose_plan")),
    )
    op.create_index(op.f("ix_dose_plan_dog_id"), "dose_plan", ["dog_id"], unique=False)
    op.create_table(
        "dose",
        sa.Column("plan_id", sa.String(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.ForeignKeyConstraint(["plan_id"], ["dose_plan.id"], name=op.f("fk_dose_plan_id")),
        sa.PrimaryKeyConstraint("plan_id", "number", name=op.f("pk_dose")),
    )
    op.create_table(
        "job_run",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("job", sa.String(), nullable=False),
        sa.Column("local_date", sa.Date(), nullable=False),
        sa.Column("cut", sa.JSON(), nullable=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("n_rows", sa.Integer(), nullable=True),
        sa.Column("seconds", sa.Float(), nullable=True),
        sa.Column("result", sa.Text(), nullable=True),
        sa.Column("started_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job_run")),
    )
    op.create_index(
        op.f("ix_job_run_job_local_date"), "job_run", ["job", "local_date"], unique=False
    )


def downgrade() -> None:
    """Drop every table, those that cite another one first. No command of this service does it."""
    held = sa.MetaData()
    held.reflect(op.get_bind())
    for table in reversed(held.sorted_tables):
        if table.name != VERSION_TABLE:
            op.drop_table(table.name)
