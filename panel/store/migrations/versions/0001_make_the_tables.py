"""Make the tables

Revises:
"""

import sqlalchemy as sa
from alembic import op
from sqlmodel.sql.sqltypes import AutoString, UTCDateTime

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "organiser",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("address", AutoString(), nullable=False),
        sa.Column("name", AutoString(), nullable=False),
        sa.Column("password_hash", AutoString(), nullable=True),
        sa.Column("created_at", UTCDateTime(), nullable=False),
        sa.Column("signed_out_before", UTCDateTime(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("organiser", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_organiser_address"), ["address"], unique=True)

    op.create_table(
        "sign_in",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("organiser_id", sa.Integer(), nullable=False),
        sa.Column("code_hash", AutoString(), nullable=False),
        sa.Column("expires_at", UTCDateTime(), nullable=False),
        sa.Column("used_at", UTCDateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["organiser_id"],
            ["organiser.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("sign_in", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_sign_in_code_hash"), ["code_hash"], unique=True)
        batch_op.create_index(batch_op.f("ix_sign_in_organiser_id"), ["organiser_id"], unique=False)

    op.create_table(
        "study",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("code", AutoString(), nullable=False),
        sa.Column("organiser_id", sa.Integer(), nullable=False),
        sa.Column("title", AutoString(), nullable=False),
        sa.Column("question", AutoString(), nullable=False),
        sa.Column("invitation_words", sa.Text(), nullable=False),
        sa.Column("privacy_words", sa.Text(), nullable=False),
        sa.Column("level", AutoString(), nullable=False),
        sa.Column("created_at", UTCDateTime(), nullable=False),
        sa.Column("locked_at", UTCDateTime(), nullable=True),
        sa.Column("closed_at", UTCDateTime(), nullable=True),
        sa.Column("open_link_hash", AutoString(), nullable=True),
        sa.Column("open_link_sealed", sa.LargeBinary(), nullable=True),
        sa.Column("next_ordinal", sa.Integer(), nullable=False),
        sa.Column("next_sequence", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organiser_id"],
            ["organiser.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("study", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_study_code"), ["code"], unique=True)
        batch_op.create_index(
            batch_op.f("ix_study_open_link_hash"), ["open_link_hash"], unique=False
        )
        batch_op.create_index(batch_op.f("ix_study_organiser_id"), ["organiser_id"], unique=False)

    op.create_table(
        "clip",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("take_key", AutoString(), nullable=False),
        sa.Column("excerpt_key", AutoString(), nullable=False),
        sa.Column("samples_key", AutoString(), nullable=False),
        sa.Column("rate", sa.Integer(), nullable=False),
        sa.Column("channels", sa.Integer(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("gain_db", sa.Float(), nullable=False),
        sa.Column("delay_samples", sa.Float(), nullable=False),
        sa.Column("drift_ppm", sa.Float(), nullable=False),
        sa.Column("inverted", sa.Boolean(), nullable=False),
        sa.Column("residual_db", sa.Float(), nullable=True),
        sa.Column("loudness_lufs", sa.Float(), nullable=True),
        sa.Column("warnings", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["study.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("study_id", "take_key", "excerpt_key"),
    )
    with op.batch_alter_table("clip", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_clip_study_id"), ["study_id"], unique=False)

    op.create_table(
        "contrast",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("key", AutoString(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("role", AutoString(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["study.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("study_id", "key"),
    )
    with op.batch_alter_table("contrast", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_contrast_study_id"), ["study_id"], unique=False)

    op.create_table(
        "excerpt",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("key", AutoString(), nullable=False),
        sa.Column("label", AutoString(), nullable=False),
        sa.Column("start_s", sa.Float(), nullable=False),
        sa.Column("end_s", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["study.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("study_id", "key"),
    )
    with op.batch_alter_table("excerpt", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_excerpt_study_id"), ["study_id"], unique=False)

    op.create_table(
        "factor",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("key", AutoString(), nullable=False),
        sa.Column("name", AutoString(), nullable=False),
        sa.Column("kind", AutoString(), nullable=False),
        sa.Column("unit", AutoString(), nullable=False),
        sa.Column("tolerance", sa.Float(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["study.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("study_id", "key"),
    )
    with op.batch_alter_table("factor", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_factor_study_id"), ["study_id"], unique=False)

    op.create_table(
        "listener",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("code", AutoString(), nullable=False),
        sa.Column("address", AutoString(), nullable=True),
        sa.Column("link_hash", AutoString(), nullable=False),
        sa.Column("link_sealed", sa.LargeBinary(), nullable=True),
        sa.Column("ordinal", sa.Integer(), nullable=True),
        sa.Column("created_at", UTCDateTime(), nullable=False),
        sa.Column("invited_at", UTCDateTime(), nullable=True),
        sa.Column("opened_at", UTCDateTime(), nullable=True),
        sa.Column("consented_at", UTCDateTime(), nullable=True),
        sa.Column("checked_at", UTCDateTime(), nullable=True),
        sa.Column("finished_at", UTCDateTime(), nullable=True),
        sa.Column("revoked_at", UTCDateTime(), nullable=True),
        sa.Column("headphone_check", AutoString(), nullable=False),
        sa.Column("headphone_detail", sa.JSON(), nullable=False),
        sa.Column("playback", AutoString(), nullable=False),
        sa.Column("sample_rate", sa.Integer(), nullable=True),
        sa.Column("remarks", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["study.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("study_id", "address"),
        sa.UniqueConstraint("study_id", "code"),
    )
    with op.batch_alter_table("listener", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_listener_link_hash"), ["link_hash"], unique=True)
        batch_op.create_index(batch_op.f("ix_listener_study_id"), ["study_id"], unique=False)

    op.create_table(
        "plan",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("canonical", sa.LargeBinary(), nullable=True),
        sa.Column("sha256", AutoString(), nullable=True),
        sa.Column("locked_at", UTCDateTime(), nullable=True),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["study.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_plan_study_id"), ["study_id"], unique=True)

    op.create_table(
        "take",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("key", AutoString(), nullable=False),
        sa.Column("label", AutoString(), nullable=False),
        sa.Column("recorded_order", sa.Integer(), nullable=False),
        sa.Column("sha256", AutoString(), nullable=False),
        sa.Column("bytes", sa.Integer(), nullable=False),
        sa.Column("file_name", AutoString(), nullable=False),
        sa.Column("format", AutoString(), nullable=False),
        sa.Column("subtype", AutoString(), nullable=False),
        sa.Column("bits", sa.Integer(), nullable=True),
        sa.Column("lossy", sa.Boolean(), nullable=False),
        sa.Column("rate", sa.Integer(), nullable=False),
        sa.Column("channels", sa.Integer(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("loudness_lufs", sa.Float(), nullable=True),
        sa.Column("overview", sa.JSON(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("log", sa.JSON(), nullable=False),
        sa.Column("uploaded_at", UTCDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["study.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("study_id", "key"),
    )
    with op.batch_alter_table("take", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_take_sha256"), ["sha256"], unique=False)
        batch_op.create_index(batch_op.f("ix_take_study_id"), ["study_id"], unique=False)

    op.create_table(
        "verdict",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("measured", sa.JSON(), nullable=False),
        sa.Column("concluded_at", UTCDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["study.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("verdict", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_verdict_study_id"), ["study_id"], unique=True)

    op.create_table(
        "message",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("listener_id", sa.Integer(), nullable=True),
        sa.Column("kind", AutoString(), nullable=False),
        sa.Column("address", AutoString(), nullable=False),
        sa.Column("subject", AutoString(), nullable=False),
        sa.Column("sealed", sa.LargeBinary(), nullable=False),
        sa.Column("created_at", UTCDateTime(), nullable=False),
        sa.Column("sent_at", UTCDateTime(), nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("next_attempt_at", UTCDateTime(), nullable=True),
        sa.Column("failed_for_good", sa.Boolean(), nullable=False),
        sa.Column("error", AutoString(), nullable=False),
        sa.ForeignKeyConstraint(
            ["listener_id"],
            ["listener.id"],
        ),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["study.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    with op.batch_alter_table("message", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_message_listener_id"), ["listener_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_message_study_id"), ["study_id"], unique=False)

    op.create_table(
        "trial",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("listener_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("block", sa.Integer(), nullable=False),
        sa.Column("contrast_key", AutoString(), nullable=False),
        sa.Column("procedure", AutoString(), nullable=False),
        sa.Column("excerpt_key", AutoString(), nullable=False),
        sa.Column("slots", sa.JSON(), nullable=False),
        sa.Column("right", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(
            ["listener_id"],
            ["listener.id"],
        ),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["study.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("listener_id", "number"),
    )
    with op.batch_alter_table("trial", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_trial_listener_id"), ["listener_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_trial_study_id"), ["study_id"], unique=False)

    op.create_table(
        "vote",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("trial_id", sa.Integer(), nullable=False),
        sa.Column("client_id", AutoString(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("listener_id", sa.Integer(), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("answer", sa.Integer(), nullable=False),
        sa.Column("plays", sa.Integer(), nullable=False),
        sa.Column("seconds", sa.Integer(), nullable=False),
        sa.Column("notes", sa.JSON(), nullable=False),
        sa.Column("received_at", UTCDateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["listener_id"],
            ["listener.id"],
        ),
        sa.ForeignKeyConstraint(
            ["study_id"],
            ["study.id"],
        ),
        sa.ForeignKeyConstraint(
            ["trial_id"],
            ["trial.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("study_id", "sequence"),
    )
    with op.batch_alter_table("vote", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_vote_client_id"), ["client_id"], unique=True)
        batch_op.create_index(batch_op.f("ix_vote_listener_id"), ["listener_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_vote_study_id"), ["study_id"], unique=False)
        batch_op.create_index(batch_op.f("ix_vote_trial_id"), ["trial_id"], unique=True)
        batch_op.create_index("vote_study_time", ["study_id", "received_at"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("vote", schema=None) as batch_op:
        batch_op.drop_index("vote_study_time")
        batch_op.drop_index(batch_op.f("ix_vote_trial_id"))
        batch_op.drop_index(batch_op.f("ix_vote_study_id"))
        batch_op.drop_index(batch_op.f("ix_vote_listener_id"))
        batch_op.drop_index(batch_op.f("ix_vote_client_id"))

    op.drop_table("vote")
    with op.batch_alter_table("trial", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_trial_study_id"))
        batch_op.drop_index(batch_op.f("ix_trial_listener_id"))

    op.drop_table("trial")
    with op.batch_alter_table("message", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_message_study_id"))
        batch_op.drop_index(batch_op.f("ix_message_listener_id"))

    op.drop_table("message")
    with op.batch_alter_table("verdict", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_verdict_study_id"))

    op.drop_table("verdict")
    with op.batch_alter_table("take", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_take_study_id"))
        batch_op.drop_index(batch_op.f("ix_take_sha256"))

    op.drop_table("take")
    with op.batch_alter_table("plan", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_plan_study_id"))

    op.drop_table("plan")
    with op.batch_alter_table("listener", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_listener_study_id"))
        batch_op.drop_index(batch_op.f("ix_listener_link_hash"))

    op.drop_table("listener")
    with op.batch_alter_table("factor", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_factor_study_id"))

    op.drop_table("factor")
    with op.batch_alter_table("excerpt", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_excerpt_study_id"))

    op.drop_table("excerpt")
    with op.batch_alter_table("contrast", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_contrast_study_id"))

    op.drop_table("contrast")
    with op.batch_alter_table("clip", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_clip_study_id"))

    op.drop_table("clip")
    with op.batch_alter_table("study", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_study_organiser_id"))
        batch_op.drop_index(batch_op.f("ix_study_open_link_hash"))
        batch_op.drop_index(batch_op.f("ix_study_code"))

    op.drop_table("study")
    with op.batch_alter_table("sign_in", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_sign_in_organiser_id"))
        batch_op.drop_index(batch_op.f("ix_sign_in_code_hash"))

    op.drop_table("sign_in")
    with op.batch_alter_table("organiser", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_organiser_address"))

    op.drop_table("organiser")
