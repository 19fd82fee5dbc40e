"""Keep the reasons for a preference apart from the votes

Revises: 0006
"""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "reason",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("vote_id", sa.Integer(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("ticked", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"]),
        sa.ForeignKeyConstraint(["vote_id"], ["vote.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("reason", schema=None) as batch_op:
        batch_op.create_index("ix_reason_study_id", ["study_id"], unique=False)
        batch_op.create_index("ix_reason_vote_id", ["vote_id"], unique=True)


def downgrade() -> None:
    op.drop_table("reason")
