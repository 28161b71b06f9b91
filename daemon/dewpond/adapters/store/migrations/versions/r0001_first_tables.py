"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "journal",
        sa.Column("step_no", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("seq", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("wall", sa.BigInteger, nullable=False),
        sa.Column("elapsed_s", sa.Double, nullable=False),
        sa.Column("trusted", sa.Boolean, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )
    rare_kinds = sa.text("kind <> 'ReadingsArrived' AND kind <> ''")
    op.create_index(
        "journal_by_kind",
        "journal",
        ["kind", "step_no", "seq"],
        sqlite_where=rare_kinds,
        postgresql_where=rare_kinds,
    )
    op.create_table(
        "snapshots",
        sa.Column("step_no", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("wall", sa.DateTime(timezone=True), nullable=False),
        sa.Column("elapsed_s", sa.Double, nullable=False),
        sa.Column("trusted", sa.Boolean, nullable=False),
        sa.Column("version", sa.String(40), nullable=False),
        sa.Column("schema", sa.String(32), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_table(
        "series",
        sa.Column("id", sa.SmallInteger, primary_key=True, autoincrement=False),
        sa.Column("sensor", sa.String(200), nullable=False, unique=True),
    )
    op.create_table(
        "readings",
        sa.Column("series", sa.SmallInteger, primary_key=True, autoincrement=False),
        sa.Column("time_ms", sa.BigInteger, primary_key=True, autoincrement=False),
        sa.Column("value", sa.Double, nullable=False),
        sqlite_with_rowid=False,
    )
    _create_what_people_read()


def _create_what_people_read() -> None:
    op.create_table(
        "plan",
        sa.Column("window_date", sa.Date, primary_key=True),
        sa.Column("zone", sa.String(100), primary_key=True),
        sa.Column("source", sa.String(100), primary_key=True),
        sa.Column("start_no", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("start", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seconds", sa.Double),
        sa.Column("gross_mm", sa.Double),
        sa.Column("state", sa.String(20), nullable=False),
    )
    op.create_table(
        "runs",
        sa.Column("run_id", sa.String(200), primary_key=True),
        sa.Column("zone", sa.String(100), nullable=False),
        sa.Column("start", sa.DateTime(timezone=True), nullable=False),
        sa.Column("end", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seconds", sa.Double),
        sa.Column("gross_mm", sa.Double),
        sa.Column("litres", sa.Double),
        sa.Column("cause", sa.Text, nullable=False),
        sa.Column("metered_litres", sa.Double),
        sa.Column("note", sa.Text, nullable=False),
    )
    op.create_index("runs_by_start", "runs", ["start"])
    op.create_table(
        "days",
        sa.Column("date", sa.Date, primary_key=True),
        sa.Column("zone", sa.String(100), primary_key=True),
        *(sa.Column(name, sa.Double) for name in _LEDGER),
        sa.Column("reason", sa.Text, nullable=False),
        *(sa.Column(name, sa.Double) for name in _BELIEF),
        sa.Column("eto_method", sa.Text, nullable=False),
    )
    op.create_table(
        "reasons",
        sa.Column("window_date", sa.Date, primary_key=True),
        sa.Column("zone", sa.String(100), primary_key=True),
        sa.Column("decided_at", sa.DateTime(timezone=True), primary_key=True),
        sa.Column("decision", sa.String(20), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_table(
        "alarms",
        sa.Column("key", sa.String(200), primary_key=True),
        sa.Column("raised_at", sa.DateTime(timezone=True), primary_key=True),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("zone", sa.String(100)),
        sa.Column("detail", sa.Text, nullable=False),
        sa.Column("facts", sa.Text, nullable=False),
        sa.Column("cleared_at", sa.DateTime(timezone=True)),
        sa.Column("cleared_why", sa.Text, nullable=False),
    )


_LEDGER = (
    "eto_mm",
    "etc_mm",
    "rain_mm",
    "effective_rain_mm",
    "net_irrigation_mm",
    "runoff_mm",
    "drainage_mm",
    "depletion_mm",
    "taw_mm",
    "raw_mm",
)
_BELIEF = ("belief_mm", "belief_sd_mm", "correction_mm")
