"""Make the tables: the first schema

Revises:
"""

import sqlalchemy as sa
from alembic import op
from sqlmodel.sql.sqltypes import AutoString, UTCDateTime

revision = "schema_1"
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
        sa.PrimaryKeyConstraint("id", name="pk_organiser"),
    )
    op.create_index("ix_organiser_address", "organiser", ["address"], unique=True)

    op.create_table(
        "sign_in_failure",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("address_hash", AutoString(), nullable=False),
        sa.Column("at", UTCDateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sign_in_failure"),
    )
    op.create_index(
        "ix_sign_in_failure_address_hash", "sign_in_failure", ["address_hash"], unique=False
    )
    op.create_index("ix_sign_in_failure_at", "sign_in_failure", ["at"], unique=False)

    op.create_table(
        "sign_in",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("organiser_id", sa.Integer(), nullable=False),
        sa.Column("code_hash", AutoString(), nullable=False),
        sa.Column("expires_at", UTCDateTime(), nullable=False),
        sa.Column("used_at", UTCDateTime(), nullable=True),
        sa.ForeignKeyConstraint(["organiser_id"], ["organiser.id"], name="fk_sign_in_organiser_id"),
        sa.PrimaryKeyConstraint("id", name="pk_sign_in"),
    )
    op.create_index("ix_sign_in_code_hash", "sign_in", ["code_hash"], unique=True)
    op.create_index("ix_sign_in_organiser_id", "sign_in", ["organiser_id"], unique=False)

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
        sa.Column("alignment", AutoString(), nullable=False),
        sa.Column("created_at", UTCDateTime(), nullable=False),
        sa.Column("locked_at", UTCDateTime(), nullable=True),
        sa.Column("closed_at", UTCDateTime(), nullable=True),
        sa.Column("open_link_hash", AutoString(), nullable=True),
        sa.Column("open_link_sealed", sa.LargeBinary(), nullable=True),
        sa.Column("next_ordinal", sa.Integer(), nullable=False),
        sa.Column("next_sequence", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["organiser_id"], ["organiser.id"], name="fk_study_organiser_id"),
        sa.PrimaryKeyConstraint("id", name="pk_study"),
    )
    op.create_index("ix_study_code", "study", ["code"], unique=True)
    op.create_index("ix_study_open_link_hash", "study", ["open_link_hash"], unique=False)
    op.create_index("ix_study_organiser_id", "study", ["organiser_id"], unique=False)

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
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_clip_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_clip"),
        sa.UniqueConstraint(
            "study_id", "take_key", "excerpt_key", name="uq_clip_study_id_take_key_excerpt_key"
        ),
    )
    op.create_index("ix_clip_study_id", "clip", ["study_id"], unique=False)

    op.create_table(
        "contrast",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("key", AutoString(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("role", AutoString(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_contrast_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_contrast"),
        sa.UniqueConstraint("study_id", "key", name="uq_contrast_study_id_key"),
    )
    op.create_index("ix_contrast_study_id", "contrast", ["study_id"], unique=False)

    op.create_table(
        "excerpt",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("key", AutoString(), nullable=False),
        sa.Column("label", AutoString(), nullable=False),
        sa.Column("start_s", sa.Float(), nullable=False),
        sa.Column("end_s", sa.Float(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_excerpt_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_excerpt"),
        sa.UniqueConstraint("study_id", "key", name="uq_excerpt_study_id_key"),
    )
    op.create_index("ix_excerpt_study_id", "excerpt", ["study_id"], unique=False)

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
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_factor_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_factor"),
        sa.UniqueConstraint("study_id", "key", name="uq_factor_study_id_key"),
    )
    op.create_index("ix_factor_study_id", "factor", ["study_id"], unique=False)

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
        sa.Column("declined_at", UTCDateTime(), nullable=True),
        sa.Column("headphone_check", AutoString(), nullable=False),
        sa.Column("headphone_detail", sa.JSON(), nullable=False),
        sa.Column("playback", AutoString(), nullable=False),
        sa.Column("sample_rate", sa.Integer(), nullable=True),
        sa.Column("remarks", sa.Text(), nullable=False),
        sa.Column("steps_done", sa.JSON(), nullable=False),
        sa.Column("withdrew", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_listener_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_listener"),
        sa.UniqueConstraint("study_id", "address", name="uq_listener_study_id_address"),
        sa.UniqueConstraint("study_id", "code", name="uq_listener_study_id_code"),
    )
    op.create_index("ix_listener_link_hash", "listener", ["link_hash"], unique=True)
    op.create_index("ix_listener_study_id", "listener", ["study_id"], unique=False)

    op.create_table(
        "plan",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("canonical", sa.LargeBinary(), nullable=True),
        sa.Column("sha256", AutoString(), nullable=True),
        sa.Column("locked_at", UTCDateTime(), nullable=True),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_plan_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_plan"),
    )
    op.create_index("ix_plan_study_id", "plan", ["study_id"], unique=True)

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
        sa.Column("kept_channels", sa.JSON(), nullable=False),
        sa.Column("music_at", sa.Integer(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("loudness_lufs", sa.Float(), nullable=True),
        sa.Column("overview", sa.JSON(), nullable=False),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("log", sa.JSON(), nullable=False),
        sa.Column("uploaded_at", UTCDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_take_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_take"),
        sa.UniqueConstraint("study_id", "key", name="uq_take_study_id_key"),
    )
    op.create_index("ix_take_sha256", "take", ["sha256"], unique=False)
    op.create_index("ix_take_study_id", "take", ["study_id"], unique=False)

    op.create_table(
        "verdict",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("measured", sa.JSON(), nullable=False),
        sa.Column("concluded_at", UTCDateTime(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_verdict_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_verdict"),
    )
    op.create_index("ix_verdict_study_id", "verdict", ["study_id"], unique=True)

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
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_waiting_file_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_waiting_file"),
    )
    op.create_index("ix_waiting_file_sha256", "waiting_file", ["sha256"], unique=False)
    op.create_index("ix_waiting_file_study_id", "waiting_file", ["study_id"], unique=False)

    op.create_table(
        "withdrawal",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("link_hash", AutoString(), nullable=False),
        sa.Column("kept", sa.Boolean(), nullable=False),
        sa.Column("before_end", sa.Boolean(), nullable=False),
        sa.Column("code", AutoString(), nullable=False),
        sa.Column("votes_removed", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_withdrawal_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_withdrawal"),
    )
    op.create_index("ix_withdrawal_link_hash", "withdrawal", ["link_hash"], unique=True)
    op.create_index("ix_withdrawal_study_id", "withdrawal", ["study_id"], unique=False)

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
        sa.ForeignKeyConstraint(["take_id"], ["take.id"], name="fk_found_leader_take_id"),
        sa.PrimaryKeyConstraint("id", name="pk_found_leader"),
    )
    op.create_index("ix_found_leader_take_id", "found_leader", ["take_id"], unique=True)

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
        sa.ForeignKeyConstraint(["listener_id"], ["listener.id"], name="fk_message_listener_id"),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_message_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_message"),
    )
    op.create_index("ix_message_listener_id", "message", ["listener_id"], unique=False)
    op.create_index("ix_message_study_id", "message", ["study_id"], unique=False)

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
        sa.ForeignKeyConstraint(["listener_id"], ["listener.id"], name="fk_trial_listener_id"),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_trial_study_id"),
        sa.PrimaryKeyConstraint("id", name="pk_trial"),
        sa.UniqueConstraint("listener_id", "number", name="uq_trial_listener_id_number"),
    )
    op.create_index("ix_trial_listener_id", "trial", ["listener_id"], unique=False)
    op.create_index("ix_trial_study_id", "trial", ["study_id"], unique=False)

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
        sa.ForeignKeyConstraint(["listener_id"], ["listener.id"], name="fk_vote_listener_id"),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_vote_study_id"),
        sa.ForeignKeyConstraint(["trial_id"], ["trial.id"], name="fk_vote_trial_id"),
        sa.PrimaryKeyConstraint("id", name="pk_vote"),
        sa.UniqueConstraint("study_id", "sequence", name="uq_vote_study_id_sequence"),
    )
    op.create_index("ix_vote_client_id", "vote", ["client_id"], unique=True)
    op.create_index("ix_vote_listener_id", "vote", ["listener_id"], unique=False)
    op.create_index("ix_vote_study_id", "vote", ["study_id"], unique=False)
    op.create_index(
        "ix_vote_study_id_received_at", "vote", ["study_id", "received_at"], unique=False
    )
    op.create_index("ix_vote_trial_id", "vote", ["trial_id"], unique=True)

    op.create_table(
        "reason",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("study_id", sa.Integer(), nullable=False),
        sa.Column("vote_id", sa.Integer(), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("ticked", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["study_id"], ["study.id"], name="fk_reason_study_id"),
        sa.ForeignKeyConstraint(["vote_id"], ["vote.id"], name="fk_reason_vote_id"),
        sa.PrimaryKeyConstraint("id", name="pk_reason"),
    )
    op.create_index("ix_reason_study_id", "reason", ["study_id"], unique=False)
    op.create_index("ix_reason_vote_id", "reason", ["vote_id"], unique=True)
