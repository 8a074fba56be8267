"""The settings that jobs ran under, without what is private."""

import sqlalchemy as sa
from alembic import op

revision = "j0008"
down_revision = "j0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "settings",
        sa.Column("id", sa.Text, primary_key=True),
        sa.Column("chamber", sa.Text, nullable=False),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sqlite_with_rowid=False,
    )
