"""Films of events and of jobs."""

import sqlalchemy as sa
from alembic import op

revision = "j0007"
down_revision = "j0006"
branch_labels = None
depends_on = None

NUMBERED = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "clip",
        sa.Column("number", NUMBERED, primary_key=True),
        sa.Column("id", sa.Text, nullable=False, unique=True),
        sa.Column("chamber", sa.Text, nullable=False),
        sa.Column("part", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("event", sa.Integer),
        sa.Column("job", sa.Text),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
        sa.Column("boot_id", sa.Text, nullable=False),
        sa.Column("mono_s", sa.Float, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_index("clip_job", "clip", ["job"])
    op.create_index("clip_chamber", "clip", ["chamber", "number"])
    op.create_index("clip_state", "clip", ["state"])
