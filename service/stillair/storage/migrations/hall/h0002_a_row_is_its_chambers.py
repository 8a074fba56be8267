"""What two chambers have of one name is two rows: a parcel is known within its chamber.

A season that boards bring in has the same parcels on each, and so has what was restored to
another board. And no board may keep rows of another out by sending theirs first.
"""

from alembic import op

revision = "h0002"
down_revision = "h0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.execute("SET LOCAL statement_timeout = 0")  # of many rows it may take minutes, once
    op.drop_index("ledger_parcel", "ledger")
    op.create_index("ledger_parcel", "ledger", ["chamber", "parcel", "part"], unique=True)
