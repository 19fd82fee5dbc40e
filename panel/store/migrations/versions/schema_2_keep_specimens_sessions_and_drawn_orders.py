"""Keep specimens, sessions and drawn orders

Revises: schema_1
"""

import sqlalchemy as sa
from alembic import op
from sqlmodel.sql.sqltypes import AutoString, UTCDateTime

revision = "schema_2"
down_revision = "schema_1"
branch_labels = None
depends_on = None

ADDED = (("study", "carrier"), ("take", "specimen"), ("take", "session"))


def upgrade() -> None:
    # Rows that are there get an empty text, which no column has by itself afterwards.
    for table, column in ADDED:
        with op.batch_alter_table(table) as there:
            there.add_column(sa.Column(column, AutoString(), nullable=False, server_default=""))
    for table, column in ADDED:
        with op.batch_alter_table(table) as there:
            there.alter_column(
                column, existing_type=AutoString(), existing_nullable=False, server_default=None
            )
    op.create_table(
        "drawn_order",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("session", AutoString(), nullable=False),
        sa.Column("specimens", sa.JSON(), nullable=False),
        sa.Column("conditions", sa.JSON(), nullable=False),
        sa.Column("drawn_at", UTCDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_drawn_order_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_drawn_order"),
    )
    op.create_index("ix_drawn_order_study_id", "drawn_order", ["study_id"], unique=False)
