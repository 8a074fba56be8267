"""A message says which stage of its alarm it tells of, so that a route can show it as such."""

import sqlalchemy as sa
from alembic import op

revision = "j0005"
down_revision = "j0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("notice", sa.Column("stage", sa.Text, nullable=False, server_default=""))
