"""The first tables of the archive."""

import sqlalchemy as sa
from alembic import op

revision = "a0001"
down_revision = None
branch_labels = None
depends_on = None

NUMBERED = sa.BigInteger().with_variant(sa.Integer, "sqlite")
SUMMARY = (
    *("chamber", "sensor", "start_ms", "end_ms", "count"),
    *("low_c", "high_c", "mean_c"),
)


def upgrade() -> None:
    op.create_table(
        "stretch",
        sa.Column("id", NUMBERED, primary_key=True),
        sa.Column("chamber", sa.Text, nullable=False),
        sa.Column("sensor", sa.Text, nullable=False),
        sa.Column("start_ms", sa.BigInteger, nullable=False),
        sa.Column("end_ms", sa.BigInteger, nullable=False),
        sa.Column("count", sa.Integer, nullable=False),
        sa.Column("low_c", sa.Float),
        sa.Column("high_c", sa.Float),
        sa.Column("mean_c", sa.Float),
        sa.Column("payload", sa.LargeBinary, nullable=False),
    )
    op.create_index("stretch_summary", "stretch", list(SUMMARY))
    op.create_index("stretch_end", "stretch", ["end_ms"])
    op.create_table(
        "tail_mark",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("generation", sa.BigInteger, nullable=False),
    )
