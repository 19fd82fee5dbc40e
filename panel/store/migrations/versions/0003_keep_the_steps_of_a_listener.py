"""Keep the steps of a listener, and whether they declined

Revises: 0002
"""

import sqlalchemy as sa
from alembic import op
from sqlmodel.sql.sqltypes import UTCDateTime

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("listener", schema=None) as batch_op:
        batch_op.add_column(sa.Column("declined_at", UTCDateTime(), nullable=True))
        batch_op.add_column(sa.Column("steps_done", sa.JSON(), nullable=False, server_default="[]"))


def downgrade() -> None:
    with op.batch_alter_table("listener", schema=None) as batch_op:
        batch_op.drop_column("steps_done")
        batch_op.drop_column("declined_at")
