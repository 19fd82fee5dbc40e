"""Note failed sign-ins, so that guessing passwords is slow

Revises: 0001
"""

import sqlalchemy as sa
from alembic import op
from sqlmodel.sql.sqltypes import AutoString, UTCDateTime

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "sign_in_failure",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("address_hash", AutoString(), nullable=False),
        sa.Column("at", UTCDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("sign_in_failure", schema=None) as batch_op:
        batch_op.create_index(
            batch_op.f("ix_sign_in_failure_address_hash"), ["address_hash"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_sign_in_failure_at"), ["at"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("sign_in_failure", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sign_in_failure_at"))
        batch_op.drop_index(batch_op.f("ix_sign_in_failure_address_hash"))

    op.drop_table("sign_in_failure")
