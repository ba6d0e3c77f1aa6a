"""The tables of the records, as SQLAlchemy Core describes them.

Who an owner or a dog *is* stands only in `owner` and `dog_identity`, and in what a vet wrote:
`visit.note`, and in words of `patient_tables`, `plan_tables` and `entry_tables`; who signs in, only
in `account_identity`; who works here, in `staff_identity`. Every other table knows a dog or a
person by a random id. Erasing one of them empties those and leaves counts, plans and audit valid.
An empty (NULL) value always means "not known".
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    Date,
    Float,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    Text,
)

from forecast.homes import PLACES
from forecast.records.account_tables import account as account
from forecast.records.account_tables import account_branch as account_branch
from forecast.records.account_tables import account_identity as account_identity
from forecast.records.account_tables import account_link as account_link
from forecast.records.account_tables import account_session as account_session
from forecast.records.account_tables import audit_entry as audit_entry
from forecast.records.account_tables import known_browser as known_browser
from forecast.records.account_tables import recovery_code as recovery_code
from forecast.records.account_tables import sign_in_wait as sign_in_wait
from forecast.records.alert_tables import alert as alert
from forecast.records.alert_tables import alert_block_approval as alert_block_approval
from forecast.records.alert_tables import alert_decision as alert_decision
from forecast.records.alert_tables import alert_rule as alert_rule
from forecast.records.alert_tables import alert_standing as alert_standing
from forecast.records.alert_tables import alert_text as alert_text
from forecast.records.delivery_tables import alert_list as alert_list
from forecast.records.delivery_tables import alert_message as alert_message
from forecast.records.delivery_tables import alert_stop as alert_stop
from forecast.records.delivery_tables import signing_key as signing_key
from forecast.records.entry_tables import desk_entry as desk_entry
from forecast.records.entry_tables import entry_taken_back as entry_taken_back
from forecast.records.handover_tables import HANDOVER_KINDS as HANDOVER_KINDS
from forecast.records.handover_tables import handover as handover
from forecast.records.handover_tables import response_trial as response_trial
from forecast.records.ledger_tables import job_run as job_run
from forecast.records.ledger_tables import notice as notice
from forecast.records.ledger_tables import notice_delivery as notice_delivery
from forecast.records.ledger_tables import verification as verification
from forecast.records.ledger_tables import work_request as work_request
from forecast.records.patient_tables import adverse_reaction as adverse_reaction
from forecast.records.patient_tables import allergy_test as allergy_test
from forecast.records.patient_tables import dog_vet as dog_vet
from forecast.records.patient_tables import medicine as medicine
from forecast.records.patient_tables import therapy_release as therapy_release
from forecast.records.patient_tables import vaccination as vaccination
from forecast.records.patient_tables import vet as vet
from forecast.records.patient_tables import vets_word as vets_word
from forecast.records.plan_tables import plan_decision as plan_decision
from forecast.records.staff_tables import branch_hours as branch_hours
from forecast.records.staff_tables import desk_number as desk_number
from forecast.records.staff_tables import staff_identity as staff_identity
from forecast.records.staff_tables import staff_leave as staff_leave
from forecast.records.staff_tables import staff_member as staff_member
from forecast.records.staff_tables import staff_plan as staff_plan
from forecast.records.staff_tables import staff_shift as staff_shift
from forecast.records.staff_tables import staff_terms as staff_terms
from forecast.records.staff_tables import stock_count as stock_count
from forecast.records.table_parts import UtcDateTime, one_of
from forecast.records.table_parts import metadata as metadata

DOG_STATUSES = ("active", "dead", "rehomed", "moved", "left", "not known")
OWNER_STATUSES = ("active", "dead", "moved", "left", "not known")
SEXES = ("female", "male")
IMPORT_STATES = ("pending", "held", "live", "undone")
CONSENT_ANSWERS = ("yes", "no", "not known")
VISIT_KINDS = ("itch flare", "recheck", "scheduled dose", "other")
THERAPY_STATUSES = ("given", "dispensed", "declined")
TAKEN_FROM_STOCK = ("given", "dispensed")
THERAPY_REASONS = ("itch", "calendar", "not known")
SCORE_SCALES = ("PVAS", "spoken", "not known")
CERTAINTIES = ("definite", "probable", "possible", "none")
VINTAGE_KINDS = ("as finally known", "as known then")
ISSUE_KINDS = ("issued", "hindcast")


# ------------------------------------------------------------------------------- who and where
branch = Table(
    "branch",
    metadata,
    Column("id", String, primary_key=True),
    Column("name", String, nullable=False),
    Column("region_id", String, nullable=False),
    Column("open_days", String, nullable=False),
)
owner = Table(
    "owner",
    metadata,
    Column("id", String, primary_key=True),
    Column("reference", String, unique=True),
    Column("name", String),
    Column("contact", String),
    # in which they are written to: ISO 639-1; goes with the row when the owner is erased
    Column("language", String),
)
dog = Table(
    "dog",
    metadata,
    Column("id", String, primary_key=True),
    # No foreign key: the random id stays when the owner's identity is erased.
    Column("owner_id", String, index=True),
    Column("species", String),
    Column("breed", String),
    Column("birth_date", Date),
    Column("sex", String),
    Column("neutered", Boolean),
    Column("branch_id", ForeignKey("branch.id")),
    one_of("sex", SEXES),
)
dog_identity = Table(
    "dog_identity",
    metadata,
    Column("dog_id", ForeignKey("dog.id"), primary_key=True),
    Column("reference", String, unique=True, nullable=False),
    Column("name", String),
)

dog_status = Table(
    "dog_status",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("status", String, nullable=False),
    # empty: from the beginning
    Column("date", Date),
    # False: no file gave the day, it is that of the import
    Column("day_given", Boolean, nullable=False),
    one_of("status", DOG_STATUSES),
)
owner_status = Table(
    "owner_status",
    metadata,
    Column("id", Integer, primary_key=True),
    # no foreign keys to owners: what is known of an owner stays, under a random id
    Column("owner_id", String, nullable=False, index=True),
    Column("status", String, nullable=False),
    Column("date", Date),
    one_of("status", OWNER_STATUSES),
)
consent = Table(
    "consent",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("owner_id", String, nullable=False, index=True),
    Column("what", String, nullable=False),
    Column("answer", String, nullable=False),
    Column("date", Date, nullable=False),
    one_of("answer", CONSENT_ANSWERS),
)
erasure = Table(
    "erasure",
    metadata,
    Column("id", String, primary_key=True),
    Column("at", UtcDateTime, nullable=False),
    Column("dogs", Integer, nullable=False),
)

# ------------------------------------------------------------------------------- what was imported
imported_file = Table(
    "imported_file",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("subject", String, nullable=False),
    Column("file_name", String, nullable=False),
    Column("sha256", String, nullable=False, index=True),
    Column("state", String, nullable=False),
    Column("n_rows", Integer, nullable=False),
    Column("imported_at", UtcDateTime, nullable=False),
    # why a person must look before anything is learnt from it: a list of sentences
    Column("held_because", JSON(none_as_null=True)),
    # of its rows; empty where they are not dated
    Column("first_date", Date),
    Column("last_date", Date),
    one_of("state", IMPORT_STATES),
)


def _import_id() -> Column[int]:
    # empty: entered at a desk, not from a file
    return Column("import_id", ForeignKey("imported_file.id"), index=True)


visit = Table(
    "visit",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    Column("reference", String, nullable=False),
    Column("date", Date, nullable=False),
    Column("branch_id", ForeignKey("branch.id"), nullable=False),
    Column("dog_id", ForeignKey("dog.id")),
    # empty: told by the case definition in force, see visit_case
    Column("kind", String),
    Column("vet", String),
    Column("entered_on", Date),
    # lists of text, sorted; item_classes as the layout had them on the day of the import
    Column("items", JSON(none_as_null=True)),
    Column("item_classes", JSON(none_as_null=True)),
    Column("codes", JSON(none_as_null=True)),
    # "" where the vet wrote none; empty where it was forgotten, or the file had no such column
    Column("note", Text),
    Column("layout", String),
    Column("unmapped", Float),
    # how long it took; empty where nobody said, never 0
    Column("minutes", Float),
    one_of("kind", VISIT_KINDS),
    CheckConstraint("unmapped >= 0 AND unmapped <= 1", name="unmapped_is_a_share"),
    CheckConstraint("minutes > 0", name="minutes_take_time"),
    Index(None, "dog_id", "date"),
)
case_definition = Table(
    "case_definition",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("version", String, nullable=False, unique=True),
    Column("text", Text, nullable=False),
    Column("made_at", UtcDateTime, nullable=False),
    Column("in_force", Boolean, nullable=False),
)
visit_case = Table(
    "visit_case",
    metadata,
    Column("visit_id", ForeignKey("visit.id", ondelete="CASCADE"), primary_key=True),
    Column("definition_id", ForeignKey("case_definition.id"), primary_key=True),
    Column("certainty", String, nullable=False),
    Column("exclusion", String, nullable=False),
    Column("evidence", Text, nullable=False),
    Column("kind", String, nullable=False),
    one_of("certainty", CERTAINTIES),
    one_of("kind", VISIT_KINDS),
    sqlite_with_rowid=False,
)
closure = Table(
    "closure",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    Column("branch_id", ForeignKey("branch.id"), nullable=False),
    Column("date", Date, nullable=False),
    Column("reason", String, nullable=False),
    # True: the branch was open and its diary full
    Column("full", Boolean, nullable=False),
)
home = Table(
    "home",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("place", String, nullable=False),
    Column("region_id", String),
    # empty: from the beginning
    Column("from_date", Date),
    one_of("place", PLACES),
    CheckConstraint("(place = 'region') = (region_id IS NOT NULL)", name="region_goes_with_place"),
)
therapy_event = Table(
    "therapy_event",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("therapy", String, nullable=False),
    Column("date", Date, nullable=False),
    Column("until", Date),
    Column("status", String, nullable=False),
    Column("reason", String, nullable=False),
    Column("responded", Boolean),
    one_of("status", THERAPY_STATUSES),
    one_of("reason", THERAPY_REASONS),
)
pruritus_score = Table(
    "pruritus_score",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("date", Date, nullable=False),
    Column("pvas", Float, nullable=False),
    Column("scorer", String, nullable=False),
    # on the line (PVAS), or by word of mouth, which is no PVAS
    Column("scale", String, nullable=False),
    one_of("scale", SCORE_SCALES),
    CheckConstraint("pvas >= 0 AND pvas <= 10", name="pvas_runs_from_0_to_10"),
)
dog_fact = Table(
    "dog_fact",
    metadata,
    Column("id", Integer, primary_key=True),
    _import_id(),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("kind", String, nullable=False),
    Column("word", String),
    Column("number", Float),
    Column("date", Date, nullable=False),
)

# ------------------------------------------------------------------------------ counts, append-only
count_vintage = Table(
    "count_vintage",
    metadata,
    Column("id", String, primary_key=True),
    Column("known_on", Date, nullable=False),
    Column("made_at", UtcDateTime, nullable=False),
    Column("case_definition", String, nullable=False),
    Column("kind", String, nullable=False),
    one_of("kind", VINTAGE_KINDS),
)
count_week = Table(
    "count_week",
    metadata,
    Column("vintage_id", ForeignKey("count_vintage.id"), primary_key=True),
    Column("region_id", String, primary_key=True),
    Column("week", Date, primary_key=True),
    Column("flare_visits", Float),
    Column("consultations", Float),
    Column("covered_share", Float),
    # of a week that has not all come in, and of one not like others; empty where not known
    Column("reported_share", Float),
    Column("flare_visits_so_far", Float),
    Column("consultations_so_far", Float),
    Column("full_share", Float),
    Column("open_share", Float),
)

# ------------------------------------------------------------------------------- what was issued
settings_text = Table(
    "settings_text",
    metadata,
    Column("sha256", String, primary_key=True),
    Column("text", Text, nullable=False),
)
issue = Table(
    "issue",
    metadata,
    Column("id", String, primary_key=True),
    Column("issued_at", UtcDateTime, nullable=False),
    Column("origin", Date, nullable=False),
    Column("kind", String, nullable=False),
    Column("model_hash", String, nullable=False),
    Column("settings_sha256", ForeignKey("settings_text.sha256"), nullable=False),
    Column("seed", BigInteger, nullable=False),
    Column("file", String, nullable=False),
    Column("file_sha256", String, nullable=False),
    Column("climate_snapshot", String, nullable=False),
    # empty: issued without visits, so exposure and season dates only
    Column("visit_vintage", ForeignKey("count_vintage.id")),
    one_of("kind", ISSUE_KINDS),
)
issue_region = Table(
    "issue_region",
    metadata,
    Column("issue_id", ForeignKey("issue.id"), primary_key=True),
    Column("region_id", String, primary_key=True),
    Column("summary", JSON, nullable=False),
)
dose_plan = Table(
    "dose_plan",
    metadata,
    Column("id", String, primary_key=True),
    Column("dog_id", ForeignKey("dog.id"), nullable=False, index=True),
    Column("issue_id", ForeignKey("issue.id"), nullable=False),
    Column("therapy", String, nullable=False),
    Column("state", String, nullable=False),
    Column("signed_by", String),
    Column("made_at", UtcDateTime, nullable=False),
    Column("uncovered_weeks", JSON, nullable=False),
    Column("reasons", JSON, nullable=False),
)
dose = Table(
    "dose",
    metadata,
    Column("plan_id", ForeignKey("dose_plan.id"), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("date", Date, nullable=False),
)
culprit_result = Table(
    "culprit_result",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("made_at", UtcDateTime, nullable=False),
    # whose weather and exposure it was worked out on
    Column("issue_id", ForeignKey("issue.id"), nullable=False),
    Column("result", JSON, nullable=False),
)
