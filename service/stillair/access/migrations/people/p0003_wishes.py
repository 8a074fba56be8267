"""What somebody once decided on and must not be lost with other files."""

import sqlalchemy as sa
from alembic import op

revision = "p0003"
down_revision = "p0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table("wish", sa.Column("name", sa.Text, primary_key=True))
