"""The first tables of people, sessions and tokens."""

import sqlalchemy as sa
from alembic import op

revision = "p0001"
down_revision = None
branch_labels = None
depends_on = None

NUMBERED = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "person",
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("role", sa.Text, nullable=False),
        sa.Column("password_hash", sa.Text, nullable=False),
        sa.Column("created_us", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "session",
        sa.Column("token_hash", sa.Text, primary_key=True),
        sa.Column(
            "person",
            sa.Text,
            sa.ForeignKey("person.key", ondelete="CASCADE"),
            nullable=False,
            index=True,
        ),
        sa.Column("address", sa.Text, nullable=False),
        sa.Column("created_us", sa.BigInteger, nullable=False),
        sa.Column("seen_us", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "token",
        sa.Column("token_hash", sa.Text, primary_key=True),
        sa.Column("name", sa.Text, nullable=False, unique=True),
        sa.Column("role", sa.Text, nullable=False),
        sa.Column("created_us", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "audit",
        sa.Column("id", NUMBERED, primary_key=True),
        sa.Column("at_us", sa.BigInteger, nullable=False),
        sa.Column("what", sa.Text, nullable=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("address", sa.Text, nullable=False),
        sqlite_autoincrement=True,
    )
