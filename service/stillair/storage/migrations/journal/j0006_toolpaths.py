"""Toolpaths, what they build, and which job follows which."""

import sqlalchemy as sa
from alembic import op

revision = "j0006"
down_revision = "j0005"
branch_labels = None
depends_on = None

NUMBERED = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "toolpath",
        sa.Column("number", NUMBERED, primary_key=True),
        sa.Column("id", sa.Text, nullable=False, unique=True),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("chamber", sa.Text, nullable=False),
        sa.Column("source", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.Column("columns", sa.LargeBinary),
    )
    op.create_index("ix_toolpath_source", "toolpath", ["source"])
    op.create_table(
        "job_toolpath",
        sa.Column("job", sa.Text, primary_key=True),
        sa.Column("toolpath", sa.Text, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sqlite_with_rowid=False,
    )
    op.create_index("job_toolpath_toolpath", "job_toolpath", ["toolpath"])
