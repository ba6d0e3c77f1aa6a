"""Patients: reactions and their release, vaccinations, medicines, allergy tests; scales of scores.

Revision ID: 0007
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_KINDS = ("nsaid", "immunosuppressant", "other", "not known")
_RESULTS = ("positive", "negative", "not known")
_METHODS = ("serology", "intradermal", "not known")
_SCALES = ("PVAS", "spoken", "not known")
_IMPORTED = ("adverse_reaction", "vaccination", "medicine", "allergy_test")
_OF_DOGS = (*_IMPORTED, "therapy_release")


def upgrade() -> None:
    """Add the tables; every score held so far came under the heading pvas, so it is one."""
    _table(
        "adverse_reaction",
        sa.Column("therapy", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("sign", sa.Text(), nullable=True),
        sa.Column("reported", sa.Boolean(), nullable=True),
    )
    _table(
        "therapy_release",
        sa.Column("therapy", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("signed_by", sa.String(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=True),
    )
    _table(
        "vaccination",
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("live", sa.Boolean(), nullable=True),
        sa.Column("against", sa.String(), nullable=True),
    )
    _table(
        "medicine",
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("until", sa.Date(), nullable=True),
        _one_of("medicine", "kind", _KINDS),
    )
    _table(
        "allergy_test",
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("allergen", sa.String(), nullable=False),
        sa.Column("result", sa.String(), nullable=False),
        sa.Column("method", sa.String(), nullable=False),
        _one_of("allergy_test", "result", _RESULTS),
        _one_of("allergy_test", "method", _METHODS),
    )
    with op.batch_alter_table("pruritus_score", copy_from=_scores()) as batch:
        batch.add_column(sa.Column("scale", sa.String(), nullable=False, server_default="PVAS"))
    scale = sa.Column("scale", sa.String(), nullable=False, server_default="PVAS")
    with op.batch_alter_table("pruritus_score", copy_from=_scores(scale)) as batch:
        batch.alter_column("scale", server_default=None, existing_type=sa.String())
        batch.create_check_constraint(
            op.f("ck_pruritus_score_scale_is_known"), sa.column("scale").in_(_SCALES)
        )


def downgrade() -> None:
    """Take the tables away; scores that are no PVAS go too, as nothing would tell them apart."""
    op.execute(sa.text("DELETE FROM pruritus_score WHERE scale <> 'PVAS'"))
    scale = sa.Column("scale", sa.String(), nullable=False)
    known = _one_of("pruritus_score", "scale", _SCALES)
    with op.batch_alter_table("pruritus_score", copy_from=_scores(scale, known)) as batch:
        batch.drop_constraint(op.f("ck_pruritus_score_scale_is_known"), type_="check")
        batch.drop_column("scale")
    for table in _OF_DOGS:
        op.drop_index(op.f(f"ix_{table}_dog_id"), table_name=table)
        if table in _IMPORTED:
            op.drop_index(op.f(f"ix_{table}_import_id"), table_name=table)
        op.drop_table(table)


def _table(name: str, *columns: sa.Column[Any] | sa.CheckConstraint) -> None:
    """Make a table of rows about dogs, which, of those that are imported, cite their import."""
    imported = name in _IMPORTED
    cited: list[sa.Column[Any] | sa.ForeignKeyConstraint] = []
    if imported:
        key = sa.ForeignKeyConstraint(
            ["import_id"], ["imported_file.id"], name=op.f(f"fk_{name}_import_id")
        )
        cited = [sa.Column("import_id", sa.Integer(), nullable=True), key]
    op.create_table(
        name,
        sa.Column("id", sa.Integer(), nullable=False),
        *cited,
        sa.Column("dog_id", sa.String(), nullable=False),
        *columns,
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name=op.f(f"fk_{name}_dog_id")),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{name}")),
    )
    op.create_index(op.f(f"ix_{name}_dog_id"), name, ["dog_id"], unique=False)
    if imported:
        op.create_index(op.f(f"ix_{name}_import_id"), name, ["import_id"], unique=False)


def _one_of(table: str, column: str, words: tuple[str, ...]) -> sa.CheckConstraint:
    return sa.CheckConstraint(
        sa.column(column).in_(words), name=op.f(f"ck_{table}_{column}_is_known")
    )


def _scores(*more: sa.Column[Any] | sa.CheckConstraint) -> sa.Table:
    return sa.Table(
        "pruritus_score",
        sa.MetaData(),
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.Integer(), nullable=True),
        sa.Column("dog_id", sa.String(), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("pvas", sa.Float(), nullable=False),
        sa.Column("scorer", sa.String(), nullable=False),
        *more,
        sa.CheckConstraint(
            "pvas >= 0 AND pvas <= 10", name=op.f("ck_pruritus_score_pvas_runs_from_0_to_10")
        ),
        sa.ForeignKeyConstraint(["dog_id"], ["dog.id"], name="fk_pruritus_score_dog_id"),
        sa.ForeignKeyConstraint(
            ["import_id"], ["imported_file.id"], name="fk_pruritus_score_import_id"
        ),
        sa.PrimaryKeyConstraint("id", name="pk_pruritus_score"),
        sa.Index("ix_pruritus_score_dog_id", "dog_id"),
        sa.Index("ix_pruritus_score_import_id", "import_id"),
    )
