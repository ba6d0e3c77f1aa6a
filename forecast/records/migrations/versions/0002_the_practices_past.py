"""The practice's past: evidence and cases of visits, dated homes and statuses, consent, closures.

Revision ID: 0002
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_STATES = ("pending", "live", "undone")
_KINDS = ("itch flare", "recheck", "scheduled dose", "other")
_STATUSES = ("active", "dead", "rehomed", "moved", "left", "not known")
_STATE_RULE = "ck_imported_file_state_is_known"
# Of what is dated, that without a day holds from the beginning, and of one day the last row counts.
_NEWEST = "ORDER BY coalesce({day}, '0001-01-01') DESC, id DESC LIMIT 1"


def upgrade() -> None:
    """Make the new tables, and move what they hold from now on into them."""
    _imports_can_be_held()
    _visits_carry_evidence()
    _cases()
    _homes_and_statuses()
    _consent_closures_erasures()
    op.execute(
        "INSERT INTO dog_status (dog_id, status, day_given) "
        "SELECT id, status, false FROM dog WHERE status <> 'not known' ORDER BY id"
    )
    op.execute(
        "INSERT INTO home (dog_id, place, region_id) "
        "SELECT id, 'region', home_region FROM dog WHERE home_region IS NOT NULL ORDER BY id"
    )
    with op.batch_alter_table("dog", copy_from=_first_dog()) as batch:
        batch.drop_constraint(op.f("ck_dog_status_is_known"), type_="check")
        batch.drop_column("status")
        batch.drop_column("home_region")


def downgrade() -> None:
    """Put back what the first schema can hold, as of the last day; no command does it.

    Imports that are held become pending, so that nothing sees them. Evidence, earlier homes and
    statuses, consent, closures and the list of erasures are lost.
    """
    _dogs_take_back_home_and_status()
    op.execute(
        "UPDATE visit SET kind = coalesce((SELECT visit_case.kind FROM visit_case "
        "JOIN case_definition ON case_definition.id = visit_case.definition_id "
        "WHERE case_definition.in_force AND visit_case.visit_id = visit.id), 'other') "
        "WHERE kind IS NULL"
    )
    for table in (
        *("visit_case", "case_definition", "home", "dog_status", "owner_status"),
        *("consent", "closure", "erasure"),
    ):
        op.drop_table(table)
    _visits_lose_evidence()
    op.execute("UPDATE imported_file SET state = 'pending' WHERE state = 'held'")
    with op.batch_alter_table("imported_file", copy_from=_second_imported_file()) as batch:
        batch.drop_constraint(op.f(_STATE_RULE), type_="check")
        batch.create_check_constraint(op.f(_STATE_RULE), sa.column("state").in_(_STATES))
        for name in ("held_because", "first_date", "last_date"):
            batch.drop_column(name)


def _imports_can_be_held() -> None:
    with op.batch_alter_table("imported_file", copy_from=_first_imported_file()) as batch:
        batch.drop_constraint(op.f(_STATE_RULE), type_="check")
        batch.create_check_constraint(op.f(_STATE_RULE), sa.column("state").in_((*_STATES, "held")))
        batch.add_column(sa.Column("held_because", sa.JSON(), nullable=True))
        batch.add_column(sa.Column("first_date", sa.Date(), nullable=True))
        batch.add_column(sa.Column("last_date", sa.Date(), nullable=True))


def _visits_carry_evidence() -> None:
    with op.batch_alter_table("visit", copy_from=_first_visit()) as batch:
        batch.alter_column("kind", existing_type=sa.String(), nullable=True)
        for column in _evidence_columns():
            batch.add_column(column)
        batch.create_check_constraint(
            op.f("ck_visit_unmapped_is_a_share"), sa.text("unmapped >= 0 AND unmapped <= 1")
        )


def _visits_lose_evidence() -> None:
    with op.batch_alter_table("visit", copy_from=_second_visit()) as batch:
        batch.drop_constraint(op.f("ck_visit_unmapped_is_a_share"), type_="check")
        for column in _evidence_columns():
            batch.drop_column(column.name)
        batch.alter_column("kind", existing_type=sa.String(), nullable=False)


def _evidence_columns() -> list[sa.Column[Any]]:
    return [
        sa.Column("vet", sa.String(), nullable=True),
        sa.Column("entered_on", sa.Date(), nullable=True),
        sa.Column("items", sa.JSON(), nullable=True),
        sa.Column("item_classes", sa.JSON(), nullable=True),
        sa.Column("codes", sa.JSON(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("layout", sa.String(), nullable=True),
        sa.Column("unmapped", sa.Float(), nullable=True),
    ]


def _cases() -> None:
    op.create_table(
        "case_definition",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("version", sa.String(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("in_force", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_case_definition")),
        sa.UniqueConstraint("version", name=op.f("uq_case_definition_version")),
    )
    op.create_table(
        "visit_case",
        sa.Column("visit_id", sa.Integer(), nullable=False),
        sa.Column("definition_id", sa.Integer(), nullable=False),
        sa.Column("certainty", sa.String(), nullable=False),
        sa.Column("exclusion", sa.String(), nullable=False),
        sa.Column("evidence", sa.Text(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.CheckConstraint(
            "certainty IN ('definite', 'probable', 'possible', 'none')",
            name=op.f("ck_visit_case_certainty_is_known"),
        ),
        sa.CheckConstraint(
            "kind IN ('itch flare', 'recheck', 'scheduled dose', 'other')",
            name=op.f("ck_visit_case_kind_is_known"),
        ),
        sa.ForeignKeyConstraint(
            ["definition_id"], ["case_definition.id"], name=op.f("fk_visit_case_definition_id")
        ),
        sa.ForeignKeyConstraint(
            ["visit_id"], ["visit.id"], name=op.f("fk_visit_case_visit_id"), ondelete="CASCADE"
        ),
        sa.PrimaryKeyConstraint("visit_id", "definition_id", name=op.f("pk_visit_case")),
        sqlite_with_rowid=False,
    )


def _homes_and_statuses() -> None:
    op.create_table(
        "home",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("place", sa.String(), nullable=False),
        sa.Column("region_id", sa.String(), nullable=True),
        sa.Column("from_date", sa.Date(), nullable=True),
        sa.CheckConstraint(
            "place IN ('region', 'distant', 'not known')", name=op.f("ck_home_place_is_known")
        ),
        sa.CheckConstraint(
            "(place = 'region') = (region_id IS NOT NULL)",
            name=op.f("ck_home_region_goes_with_place"),
        ),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_home_dog_id")),
        sa.ForeignKeyConstraint(
            ["import_id"], ["imported_file.id"], name=op.f("fk_home_import_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_home")),
    )
    op.create_index(op.f("ix_home_dog_id"), "home", ["dog_id"], unique=False)
    op.create_index(op.f("ix_home_import_id"), "home", ["import_id"], unique=False)
    _status_table(
        "dog",
        sa.Column("day_given", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f("fk_dog_status_dog_id")),
    )
    _status_table("owner")


def _status_table(whose: str, *more: sa.Column[Any] | sa.Constraint) -> None:
    words = [word for word in _STATUSES if whose == "dog" or word != "rehomed"]
    listed = ", ".join(f"'{word}'" for word in words)
    op.create_table(
        f"{whose}_status",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column(f"{whose}_id", sa.String(), nullable=False),
        sa.Column("status", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=True),
        sa.CheckConstraint(
            f"status IN ({listed})", name=op.f(f"ck_{whose}_status_status_is_known")
        ),
        *more,
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{whose}_status")),
    )
    op.create_index(
        op.f(f"ix_{whose}_status_{whose}_id"), f"{whose}_status", [f"{whose}_id"], unique=False
    )


def _consent_closures_erasures() -> None:
    op.create_table(
        "consent",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("owner_id", sa.String(), nullable=False),
        sa.Column("what", sa.String(), nullable=False),
        sa.Column("answer", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.CheckConstraint(
            "answer IN ('yes', 'no', 'not known')", name=op.f("ck_consent_answer_is_known")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_consent")),
    )
    op.create_index(op.f("ix_consent_owner_id"), "consent", ["owner_id"], unique=False)
    op.create_table(
        "closure",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.Column("branch_id", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("reason", sa.String(), nullable=False),
        sa.Column("full", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["branch_id"], ["branch.id"], name=op.f("fk_closure_branch_id")),
        sa.ForeignKeyConstraint(
            ["import_id"], ["imported_file.id"], name=op.f("fk_closure_import_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_closure")),
    )
    op.create_index(op.f("ix_closure_import_id"), "closure", ["import_id"], unique=False)
    op.create_table(
        "erasure",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("at", sa.DateTime(), nullable=False),
        sa.Column("dogs", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_erasure")),
    )


def _dogs_take_back_home_and_status() -> None:
    with op.batch_alter_table("dog", copy_from=_second_dog()) as batch:
        batch.add_column(sa.Column("status", sa.String(), nullable=True))
        batch.add_column(sa.Column("home_region", sa.String(), nullable=True))
    op.execute(
        "UPDATE dog SET status = coalesce((SELECT status FROM dog_status "
        f"WHERE dog_id = dog.id {_NEWEST.format(day='date')}), 'not known')"
    )
    op.execute(
        "UPDATE dog SET home_region = (SELECT region_id FROM home WHERE dog_id = dog.id AND "
        "(import_id IS NULL OR import_id IN (SELECT id FROM imported_file WHERE state = 'live')) "
        f"{_NEWEST.format(day='from_date')})"
    )
    with op.batch_alter_table("dog", copy_from=_first_dog(filled=False)) as batch:
        batch.alter_column("status", existing_type=sa.String(), nullable=False)
        batch.create_check_constraint(
            op.f("ck_dog_status_is_known"), sa.column("status").in_(_STATUSES)
        )


# What SQLite, which cannot alter a table in place, makes the new tables from.
def _first_imported_file(*more: sa.Column[Any], states: tuple[str, ...] = _STATES) -> sa.Table:
    return sa.Table(
        "imported_file",
        sa.MetaData(),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("subject", sa.String(), nullable=False),
        sa.Column("file_name", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("n_rows", sa.Integer(), nullable=False),
        sa.Column("imported_at", sa.DateTime(), nullable=False),
        *more,
        sa.CheckConstraint(sa.column("state").in_(states), name=_STATE_RULE),
        sa.PrimaryKeyConstraint("id", name="pk_imported_file"),
        sa.Index("ix_imported_file_sha256", "sha256"),
    )


def _second_imported_file() -> sa.Table:
    return _first_imported_file(
        sa.Column("held_because", sa.JSON(), nullable=True),
        sa.Column("first_date", sa.Date(), nullable=True),
        sa.Column("last_date", sa.Date(), nullable=True),
        states=(*_STATES, "held"),
    )


def _first_visit(*more: sa.Column[Any] | sa.Constraint) -> sa.Table:
    return sa.Table(
        "visit",
        sa.MetaData(),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.Column("reference", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("branch_id", sa.String(), nullable=False),
        sa.Column("dog_id", sa.String(), nullable=True),
        sa.Column("kind", sa.String(), nullable=bool(more)),
        *more,
        sa.CheckConstraint(sa.column("kind").in_(_KINDS), name="ck_visit_kind_is_known"),
        sa.ForeignKeyConstraint(["branch_id"], ["branch.id"], name="fk_visit_branch_id"),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name="fk_visit_dog_id"),
        sa.ForeignKeyConstraint(["import_id"], ["imported_file.id"], name="fk_visit_import_id"),
        sa.PrimaryKeyConstraint("id", name="pk_visit"),
        sa.Index("ix_visit_dog_id_date", "dog_id", "date"),
        sa.Index("ix_visit_import_id", "import_id"),
    )


def _second_visit() -> sa.Table:
    rule = sa.CheckConstraint(
        "unmapped >= 0 AND unmapped <= 1", name="ck_visit_unmapped_is_a_share"
    )
    return _first_visit(*_evidence_columns(), rule)


def _second_dog(*more: sa.Column[Any] | sa.Constraint) -> sa.Table:
    return sa.Table(
        "dog",
        sa.MetaData(),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("owner_id", sa.String(), nullable=True),
        sa.Column("species", sa.String(), nullable=True),
        sa.Column("breed", sa.String(), nullable=True),
        sa.Column("birth_date", sa.Date(), nullable=True),
        sa.Column("sex", sa.String(), nullable=True),
        sa.Column("neutered", sa.Boolean(), nullable=True),
        sa.Column("branch_id", sa.String(), nullable=True),
        *more,
        sa.CheckConstraint(sa.column("sex").in_(("female", "male")), name="ck_dog_sex_is_known"),
        sa.ForeignKeyConstraint(["branch_id"], ["branch.id"], name="fk_dog_branch_id"),
        sa.PrimaryKeyConstraint("id", name="pk_dog"),
        sa.Index("ix_dog_owner_id", "owner_id"),
    )


def _first_dog(*, filled: bool = True) -> sa.Table:
    """Give the dogs of the first schema; unless `filled`, their status is not asked for yet."""
    rule = sa.CheckConstraint(sa.column("status").in_(_STATUSES), name="ck_dog_status_is_known")
    return _second_dog(
        sa.Column("status", sa.String(), nullable=not filled),
        sa.Column("home_region", sa.String(), nullable=True),
        *([rule] if filled else []),
    )
