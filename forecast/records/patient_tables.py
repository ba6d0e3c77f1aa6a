"""Tables of what else is known of a patient: reactions, vaccines, medicines, allergy tests, vets.

They know a dog by its random id. What somebody wrote in words, `adverse_reaction.sign`,
`therapy_release.reason` and `vets_word.reason`, is emptied when the owner is erased. Who a vet is
stands in `vet.name` alone. An empty (NULL) value means "not known".
"""

from __future__ import annotations

from sqlalchemy import Boolean, Column, Date, ForeignKey, Integer, String, Table, Text

from forecast.records.table_parts import metadata, one_of

MEDICINE_KINDS = ("nsaid", "immunosuppressant", "other", "not known")
TEST_RESULTS = ("positive", "negative", "not known")
TEST_METHODS = ("serology", "intradermal", "not known")


def _import_id() -> Column[int]:
    # empty: entered at a desk, not from a file
    return Column("import_id", ForeignKey("imported_file.id"), index=True)


def _dog_id() -> Column[str]:
    return Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True)


adverse_reaction = Table(
    "adverse_reaction",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    _dog_id(),
    Column("therapy", String, nullable=False),
    Column("date", Date, nullable=False),
    Column("sign", Text),
    # to the authority or the maker
    Column("reported", Boolean),
)
therapy_release = Table(
    "therapy_release",
    metadata,
    Column("id", Integer, primary_key=True),
    _dog_id(),
    # a class that a vet lets be given again, whatever reactions there were up to that day
    Column("therapy", String, nullable=False),
    Column("date", Date, nullable=False),
    # who signed: the random id of an account
    Column("signed_by", String, nullable=False),
    Column("reason", Text),
)
vaccination = Table(
    "vaccination",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    _dog_id(),
    # may lie ahead: one that is planned
    Column("date", Date, nullable=False),
    Column("live", Boolean),
    Column("against", String),
)
medicine = Table(
    "medicine",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    _dog_id(),
    Column("kind", String, nullable=False),
    Column("date", Date, nullable=False),
    # the last day; empty: it may still be given
    Column("until", Date),
    one_of("kind", MEDICINE_KINDS),
)
allergy_test = Table(
    "allergy_test",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    _dog_id(),
    Column("date", Date, nullable=False),
    Column("allergen", String, nullable=False),
    Column("result", String, nullable=False),
    Column("method", String, nullable=False),
    one_of("result", TEST_RESULTS),
    one_of("method", TEST_METHODS),
)
vet = Table(
    "vet",
    metadata,
    Column("id", String, primary_key=True),
    # as the practice writes it, and as names are compared; empty once it was erased
    Column("name", String),
    Column("name_key", String, unique=True),
    # who signs in as this vet; empty where nobody was named
    Column("account_id", ForeignKey("account.id"), unique=True),
)
dog_vet = Table(
    "dog_vet",
    metadata,
    Column("id", Integer, primary_key=True),
    _dog_id(),
    # empty: nobody looks after it
    Column("vet_id", ForeignKey("vet.id")),
    # from which day on; empty: from the beginning
    Column("date", Date),
    # the random id of an account; empty: a file said so
    Column("given_by", String),
)
vets_word = Table(
    "vets_word",
    metadata,
    Column("id", Integer, primary_key=True),
    _dog_id(),
    Column("therapy", String, nullable=False),
    Column("date", Date, nullable=False),
    # how long a dose may be planned to hold at most; empty: an earlier word was taken back
    Column("days", Integer),
    Column("signed_by", String, nullable=False),
    Column("reason", Text),
)
