"""Tokens that are for some things only, or for acting in one chamber only."""

import sqlalchemy as sa
from alembic import op

revision = "p0002"
down_revision = "p0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("token", sa.Column("scopes", sa.Text, nullable=False, server_default=""))
    op.add_column("token", sa.Column("chamber", sa.Text, nullable=True))
