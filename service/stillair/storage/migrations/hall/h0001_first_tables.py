"""The first tables of a hall's database, in PostgreSQL: as those of journal and archive, and more.

Texts are compared by their bytes, as Python and SQLite do: a database's own order depends on
the system's libraries, and indexes break when those change.
"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "h0001"
down_revision = None
branch_labels = None
depends_on = None

TEXT = sa.Text(collation="C")


def _text(name: str, *, needed: bool = True, key: bool = False) -> sa.Column[str]:
    return sa.Column(name, TEXT, nullable=not needed, primary_key=key)


def _big(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger, nullable=False)


def _number(name: str) -> sa.Column[int]:
    """A number that the database hands out."""
    return sa.Column(name, sa.BigInteger, primary_key=True, autoincrement=True)


def _current() -> list[sa.Column[Any]]:
    mono_s = sa.Column("mono_s", sa.Float, nullable=False)
    return [_text("chamber"), _text("boot_id"), mono_s, _big("at_us"), _text("body")]


def upgrade() -> None:
    _ledger()
    _present()
    _pictures()
    _told()
    _readings()
    _hall()


def _ledger() -> None:
    op.create_table(
        "ledger",
        _number("seq"),
        _text("parcel"),
        sa.Column("part", sa.Integer, nullable=False),
        *_current(),
        _text("topic"),
        _text("kind"),
        _text("job", needed=False),
        sa.Column("event", sa.Integer),
        _text("made_with"),
    )
    op.create_index("ledger_topic", "ledger", ["topic", "seq"])
    op.create_index("ledger_job", "ledger", ["job", "seq"])
    op.create_index("ledger_at", "ledger", ["topic", "at_us"])
    op.create_index("ledger_boot", "ledger", ["boot_id"])
    op.create_index("ledger_event", "ledger", ["chamber", "event"])
    # A page shows one chamber of many.
    op.create_index("ledger_chamber", "ledger", ["chamber", "seq"])
    op.create_index("ledger_parcel", "ledger", ["parcel", "part"], unique=True)


def _present() -> None:
    op.create_table(
        "alarm",
        *_current(),
        _text("id", key=True),
        _big("first_seq"),
        _big("seq"),
        _text("job", needed=False),
        sa.Column("standing", sa.Boolean, nullable=False),
    )
    op.create_index("ix_alarm_first_seq", "alarm", ["first_seq"])
    op.create_index("alarm_chamber", "alarm", ["chamber", "first_seq"])
    op.create_table(
        "job",
        *_current(),
        _text("id", key=True),
        _big("first_seq"),
        _big("seq"),
        sa.Column("unfinished", sa.Boolean, nullable=False),
    )
    op.create_index("ix_job_first_seq", "job", ["first_seq"])
    op.create_index("job_chamber", "job", ["chamber", "first_seq"])
    op.create_table(
        "job_said",
        *_current(),
        _text("id", key=True),
        _text("job"),
        _text("topic"),
        _text("word"),
        _big("seq"),
    )
    op.create_index("job_said_job", "job_said", ["job"])
    op.create_index("job_said_word", "job_said", ["topic", "word"])
    op.create_table(
        "standing_event",
        *_current(),
        _text("id", key=True),
        sa.Column("event", sa.Integer, nullable=False),
    )
    op.create_table(
        "watch_mark",
        _text("chamber", key=True),
        _text("boot_id"),
        sa.Column("mono_s", sa.Float, nullable=False),
        _big("at_us"),
        sa.Column("next_event", sa.Integer, nullable=False),
        sa.Column("next_job", sa.Integer, nullable=False),
    )
    op.create_table(
        "chamber_memory",
        _text("chamber", key=True),
        _big("at_us"),
        _text("digest"),
        _text("body"),
    )
    op.create_table(
        "settings", _text("id", key=True), _text("chamber"), _big("at_us"), _text("body")
    )


def _pictures() -> None:
    op.create_table(
        "picture",
        *_current(),
        _number("number"),
        _text("id"),
        _text("part"),
        _text("kind"),
        sa.Column("event", sa.Integer),
        _text("job", needed=False),
        sa.Column("height_mm", sa.Float),
        _big("size_bytes"),
        sa.UniqueConstraint("id"),
    )
    op.create_index("picture_event", "picture", ["chamber", "event"])
    op.create_index("picture_job", "picture", ["job", "part"])
    op.create_table(
        "clip",
        *_current(),
        _number("number"),
        _text("id"),
        _text("part"),
        _text("kind"),
        sa.Column("event", sa.Integer),
        _text("job", needed=False),
        _text("state"),
        _big("size_bytes"),
        sa.UniqueConstraint("id"),
    )
    op.create_index("clip_job", "clip", ["job"])
    op.create_index("clip_chamber", "clip", ["chamber", "number"])
    op.create_index("clip_state", "clip", ["state"])
    op.create_table(
        "toolpath",
        _number("number"),
        _text("id"),
        _big("at_us"),
        _text("name"),
        _text("chamber"),
        _text("source"),
        _text("state"),
        _big("size_bytes"),
        _text("body"),
        sa.Column("columns", sa.LargeBinary),
        sa.UniqueConstraint("id"),
    )
    op.create_index("ix_toolpath_source", "toolpath", ["source"])
    op.create_table("job_toolpath", _text("job", key=True), _text("toolpath"), _big("at_us"))
    op.create_index("job_toolpath_toolpath", "job_toolpath", ["toolpath"])


def _told() -> None:
    op.create_table(
        "notice",
        _text("key", key=True),
        _text("chamber"),
        _text("alarm", needed=False),
        *(_text(name) for name in ("kind", "priority", "person", "route", "title", "text")),
        _text("stage"),
        _big("created_us"),
        _text("state"),
        sa.Column("tries", sa.Integer, nullable=False),
        _big("next_try_us"),
        _text("outcome"),
    )
    op.create_index("notice_due", "notice", ["state", "next_try_us"])
    op.create_table(
        "delivery",
        _number("id"),
        _text("notice"),
        _big("at_us"),
        sa.Column("sent", sa.Boolean, nullable=False),
        _text("outcome"),
    )
    op.create_index("ix_delivery_notice", "delivery", ["notice"])


def _readings() -> None:
    op.create_table(
        "stretch",
        _number("id"),
        _text("chamber"),
        _text("sensor"),
        _big("start_ms"),
        _big("end_ms"),
        sa.Column("count", sa.Integer, nullable=False),
        sa.Column("low_c", sa.Float),
        sa.Column("high_c", sa.Float),
        sa.Column("mean_c", sa.Float),
        sa.Column("payload", sa.LargeBinary, nullable=False),
    )
    # Zoomed-out questions are answered from this index alone, once autovacuum has been by.
    op.create_index(
        "stretch_summary",
        "stretch",
        ["chamber", "sensor", "start_ms"],
        postgresql_include=["end_ms", "count", "low_c", "high_c", "mean_c"],
    )
    # Rows come about in the order of their ends, so a few bytes for each hundred will do.
    op.create_index("stretch_end", "stretch", ["end_ms"], postgresql_using="brin")
    # They are packed already; to try again would only cost time.
    op.execute("ALTER TABLE stretch ALTER COLUMN payload SET STORAGE EXTERNAL")
    op.create_table(
        "summary",
        _number("id"),
        _text("chamber"),
        _text("sensor"),
        sa.Column("level", sa.Integer, nullable=False),
        _big("number"),
        sa.Column("content", sa.LargeBinary, nullable=False),
        # Each is changed some dozen times.
        postgresql_with={"fillfactor": 80},
    )
    place = ["chamber", "sensor", "level", "number"]
    op.create_index("summary_block", "summary", place, unique=True)
    op.create_table(
        "tail",
        _text("chamber", key=True),
        sa.Column("id", sa.BigInteger, sa.Identity(), primary_key=True),
        _big("first_ms"),
        _big("last_ms"),
        sa.Column("count", sa.Integer, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
    )
    op.execute("ALTER TABLE tail ALTER COLUMN payload SET STORAGE EXTERNAL")


def _hall() -> None:
    op.create_table(
        "hall_mark",
        sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
        _text("mark"),
    )
    op.create_table(
        "taken",
        _text("chamber", key=True),
        _text("board"),
        _text("key"),
        _big("seq"),
        _text("parcel"),
        _big("lane"),
        _text("sensors"),
        # Each row is changed every few seconds: with room beside it, within its own page.
        postgresql_with={"fillfactor": 40},
    )
    op.create_table(
        "pin_number",
        _text("chamber", key=True),
        sa.Column("there", sa.BigInteger, primary_key=True, autoincrement=False),
        _big("here"),
    )
