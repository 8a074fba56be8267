"""The first tables of the journal."""

import sqlalchemy as sa
from alembic import op

revision = "j0001"
down_revision = None
branch_labels = None
depends_on = None

NUMBERED = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def _current() -> list[sa.Column[object]]:
    return [
        sa.Column("chamber", sa.Text, nullable=False),
        sa.Column("boot_id", sa.Text, nullable=False),
        sa.Column("mono_s", sa.Float, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    ]


def upgrade() -> None:
    op.create_table(
        "ledger",
        sa.Column("seq", NUMBERED, primary_key=True),
        sa.Column("parcel", sa.Text, nullable=False),
        sa.Column("part", sa.Integer, nullable=False),
        sa.Column("chamber", sa.Text, nullable=False),
        sa.Column("topic", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("job", sa.Text),
        sa.Column("event", sa.Integer),
        sa.Column("boot_id", sa.Text, nullable=False),
        sa.Column("mono_s", sa.Float, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("made_with", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("ledger_topic", "ledger", ["topic", "seq"])
    op.create_index("ledger_job", "ledger", ["job", "seq"])
    op.create_index("ledger_at", "ledger", ["topic", "at_us"])
    op.create_index("ledger_parcel", "ledger", ["parcel", "part"], unique=True)
    op.create_table(
        "alarm",
        *_current(),
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("first_seq", sa.BigInteger, nullable=False, index=True),
        sa.Column("seq", sa.BigInteger, nullable=False),
        sa.Column("job", sa.Text),
        sa.Column("standing", sa.Boolean, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "job",
        *_current(),
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("first_seq", sa.BigInteger, nullable=False, index=True),
        sa.Column("seq", sa.BigInteger, nullable=False),
        sa.Column("unfinished", sa.Boolean, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "standing_event",
        *_current(),
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("event", sa.Integer, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "notice",
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("chamber", sa.Text, nullable=False),
        sa.Column("alarm", sa.Text),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("priority", sa.Text, nullable=False),
        sa.Column("person", sa.Text, nullable=False),
        sa.Column("route", sa.Text, nullable=False),
        sa.Column("title", sa.Text, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.Column("created_us", sa.BigInteger, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("tries", sa.Integer, nullable=False),
        sa.Column("next_try_us", sa.BigInteger, nullable=False),
        sa.Column("outcome", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_index("notice_due", "notice", ["state", "next_try_us"])
    op.create_table(
        "delivery",
        sa.Column("id", NUMBERED, primary_key=True),
        sa.Column("notice", sa.Text, nullable=False, index=True),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("sent", sa.Boolean, nullable=False),
        sa.Column("outcome", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "watch_mark",
        sa.Column("chamber", sa.Text, primary_key=True),
        sa.Column("boot_id", sa.Text, nullable=False),
        sa.Column("mono_s", sa.Float, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("next_event", sa.Integer, nullable=False),
        sa.Column("next_job", sa.Integer, nullable=False),
        sqlite_with_rowid=False,
    )
