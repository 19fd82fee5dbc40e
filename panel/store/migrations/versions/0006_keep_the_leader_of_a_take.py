"""Keep where the leader lies in a take, and what it tells

Revises: 0005
"""

import sqlalchemy as sa
from alembic import op
from sqlmodel.sql.sqltypes import AutoString

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("study", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("alignment", AutoString(), nullable=False, server_default="leader")
        )
    with op.batch_alter_table("take", schema=None) as batch_op:
        batch_op.add_column(sa.Column("music_at", sa.Integer(), nullable=False, server_default="0"))
    op.create_table(
        "found_leader",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("take_id", sa.Integer(), nullable=False),
        sa.Column("start", sa.Float(), nullable=False),
        sa.Column("drift_ppm", sa.Float(), nullable=False),
        sa.Column("inverted", sa.Boolean(), nullable=False),
        sa.Column("likeness", sa.Float(), nullable=False),
        sa.Column("layout", AutoString(), nullable=False),
        sa.Column("channels", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["take_id"], ["take.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("found_leader", schema=None) as batch_op:
        batch_op.create_index("ix_found_leader_take_id", ["take_id"], unique=True)


def downgrade() -> None:
    op.drop_table("found_leader")
    with op.batch_alter_table("take", schema=None) as batch_op:
        batch_op.drop_column("music_at")
    with op.batch_alter_table("study", schema=None) as batch_op:
        batch_op.drop_column("alignment")
