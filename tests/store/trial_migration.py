"""A trial: rebuild three tables that others refer to, one of them full of large documents"""

import sqlalchemy as sa
from alembic import op
from sqlmodel.sql.sqltypes import AutoString

revision = "trial"
down_revision = "schema_2"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("study", recreate="always") as study:
        study.add_column(sa.Column("language", AutoString(), nullable=False, server_default="en"))
    with op.batch_alter_table("take", recreate="always") as take:
        take.alter_column("notes", existing_type=sa.Text(), nullable=True)
    with op.batch_alter_table("listener", recreate="always") as listener:
        listener.drop_constraint("fk_listener_study_id", type_="foreignkey")
        listener.create_foreign_key(
            "fk_listener_study_id", "study", ["study_id"], ["id"], ondelete="RESTRICT"
        )
    op.create_table(
        "room",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_room_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_room"),
    )
    op.execute("INSERT INTO room (study_id) SELECT id FROM study")
