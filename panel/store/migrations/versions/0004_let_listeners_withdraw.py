"""Let listeners withdraw

Revises: 0003
"""

import sqlalchemy as sa
from alembic import op
from sqlmodel.sql.sqltypes import AutoString

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("listener", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("withdrew", sa.Boolean(), nullable=False, server_default=sa.false())
        )
    op.create_table(
        "withdrawal",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("link_hash", AutoString(), nullable=False),
        sa.Column("kept", sa.Boolean(), nullable=False),
        sa.Column("before_end", sa.Boolean(), nullable=False),
        sa.Column("code", AutoString(), nullable=False),
        sa.Column("votes_removed", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("withdrawal", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_withdrawal_link_hash"), ["link_hash"], unique=True)
        batch_op.create_index(batch_op.f("ix_withdrawal_study_id"), ["study_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("withdrawal", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_withdrawal_study_id"))
        batch_op.drop_index(batch_op.f("ix_withdrawal_link_hash"))
    op.drop_table("withdrawal")
    with op.batch_alter_table("listener", schema=None) as batch_op:
        batch_op.drop_column("withdrew")
