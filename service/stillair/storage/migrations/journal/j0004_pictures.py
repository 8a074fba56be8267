"""Pictures that are kept of events and of jobs, and the changes of one event found quickly."""

import sqlalchemy as sa
from alembic import op

revision = "j0004"
down_revision = "j0003"
branch_labels = None
depends_on = None

NUMBERED = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "picture",
        sa.Column("chamber", sa.Text, nullable=False),
        sa.Column("boot_id", sa.Text, nullable=False),
        sa.Column("mono_s", sa.Float, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("number", NUMBERED, primary_key=True),
        sa.Column("id", sa.Text, nullable=False, unique=True),
        sa.Column("part", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("event", sa.Integer),
        sa.Column("job", sa.Text),
        sa.Column("height_mm", sa.Float),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
    )
    op.create_index("picture_event", "picture", ["chamber", "event"])
    op.create_index("picture_job", "picture", ["job", "part"])
    op.create_index("ledger_event", "ledger", ["chamber", "event"])
