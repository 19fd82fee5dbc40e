"""Let files with more than two channels wait until two are chosen

Revises: 0004
"""

import sqlalchemy as sa
from alembic import op
from sqlmodel.sql.sqltypes import AutoString, UTCDateTime

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("take", schema=None) as batch_op:
        batch_op.add_column(
            sa.Column("kept_channels", sa.JSON(), nullable=False, server_default="[]")
        )
    op.create_table(
        "waiting_file",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("sha256", AutoString(), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("file_name", AutoString(), nullable=False),
        sa.Column("rate", sa.Integer(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("tracks", sa.JSON(), nullable=False),
        sa.Column("uploaded_at", UTCDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("waiting_file", schema=None) as batch_op:
        batch_op.create_index("ix_waiting_file_sha256", ["sha256"], unique=False)
        batch_op.create_index("ix_waiting_file_study_id", ["study_id"], unique=False)


def downgrade() -> None:
    op.drop_table("waiting_file")
    with op.batch_alter_table("take", schema=None) as batch_op:
        batch_op.drop_column("kept_channels")
