"""Summaries at several widths, made from the rows; a tail of which a part is packed."""

from typing import Any

import sqlalchemy as sa
from alembic import op

from stillair.storage.summaries import DAY_MS, refresh

revision = "a0002"
down_revision = "a0001"
branch_labels = None
depends_on = None

NUMBERED = sa.BigInteger().with_variant(sa.Integer, "sqlite")
DAYS = 100  # at once, so that an archive of many years takes no more memory than a young one


def upgrade() -> None:
    op.create_table(
        "summary",
        sa.Column("id", NUMBERED, primary_key=True),
        sa.Column("chamber", sa.Text, nullable=False),
        sa.Column("sensor", sa.Text, nullable=False),
        sa.Column("level", sa.Integer, nullable=False),
        sa.Column("number", sa.BigInteger, nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
    )
    op.create_index(
        "summary_block", "summary", ["chamber", "sensor", "level", "number"], unique=True
    )
    op.add_column("tail_mark", sa.Column("packed", sa.Text, nullable=False, server_default="[]"))
    file: Any = op.get_bind().connection.driver_connection
    asked = "SELECT chamber, sensor, min(start_ms), max(end_ms) FROM stretch GROUP BY 1, 2"
    for chamber, sensor, start_ms, end_ms in file.execute(asked).fetchall():
        for begin_ms in range(start_ms, end_ms + 1, DAYS * DAY_MS):
            last_ms = min(begin_ms + DAYS * DAY_MS - 1, end_ms)
            refresh(file, [(chamber, sensor, begin_ms, last_ms)])
