"""What is said of a job after its end, and what a chamber's watch has learned."""

import sqlalchemy as sa
from alembic import op

revision = "j0003"
down_revision = "j0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "job_said",
        sa.Column("chamber", sa.Text, nullable=False),
        sa.Column("boot_id", sa.Text, nullable=False),
        sa.Column("mono_s", sa.Float, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("job", sa.Text, nullable=False),
        sa.Column("topic", sa.Text, nullable=False),
        sa.Column("word", sa.Text, nullable=False),
        sa.Column("seq", sa.BigInteger, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_index("job_said_job", "job_said", ["job"])
    op.create_index("job_said_word", "job_said", ["topic", "word"])
    op.create_table(
        "chamber_memory",
        sa.Column("chamber", sa.Text, primary_key=True),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("digest", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )
