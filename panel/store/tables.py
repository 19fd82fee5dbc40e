"""The tables: what is kept, and how it hangs together.

One way in, one way on: Take -> Clip -> Trial -> Vote. Times are aware, in UTC.
Secrets that open something (passwords, links, sign-in codes) are stored only as hashes.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Column, Index, LargeBinary, Text, UniqueConstraint
from sqlmodel import Field, SQLModel

# Every constraint has a name, so that a later migration can say which one it changes.
SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class Organiser(SQLModel, table=True):
    """Somebody who runs studies at the desk."""

    __tablename__ = "organiser"
    id: int | None = Field(default=None, primary_key=True)
    address: str = Field(unique=True, index=True)
    name: str = ""
    password_hash: str | None = None
    created_at: datetime
    signed_out_before: datetime | None = None


class SignIn(SQLModel, table=True):
    """A one-time sign-in link; only its hash is kept."""

    __tablename__ = "sign_in"
    id: int | None = Field(default=None, primary_key=True)
    organiser_id: int = Field(foreign_key="organiser.id", index=True)
    code_hash: str = Field(unique=True, index=True)
    expires_at: datetime
    used_at: datetime | None = None


class SignInFailure(SQLModel, table=True):
    """A failed attempt to sign in, kept for an hour to slow down guessing."""

    __tablename__ = "sign_in_failure"
    id: int | None = Field(default=None, primary_key=True)
    address_hash: str = Field(index=True)
    at: datetime = Field(index=True)


class Study(SQLModel, table=True):
    """One question with its takes, plan, listeners and verdict."""

    __tablename__ = "study"
    id: int | None = Field(default=None, primary_key=True)
    code: str = Field(unique=True, index=True)
    organiser_id: int = Field(foreign_key="organiser.id", index=True)
    title: str
    question: str
    invitation_words: str = Field(default="", sa_column=Column(Text, nullable=False))
    privacy_words: str = Field(default="", sa_column=Column(Text, nullable=False))
    level: str = "matched"
    alignment: str = "leader"  # or "music": what takes are aligned by
    carrier: str = ""  # what carries all specimens alike, such as the one amplifier
    created_at: datetime
    # Votes are taken between locked_at and closed_at; outcomes may be read from closed_at on.
    locked_at: datetime | None = None
    closed_at: datetime | None = None
    open_link_hash: str | None = Field(default=None, index=True)
    open_link_sealed: bytes | None = Field(default=None, sa_column=Column(LargeBinary))
    next_ordinal: int = 0
    next_sequence: int = 1


class Factor(SQLModel, table=True):
    """Something in the chain that can differ between takes."""

    __tablename__ = "factor"
    __table_args__ = (UniqueConstraint("study_id", "key"),)
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    key: str
    name: str
    kind: str
    unit: str = ""
    tolerance: float = 0.0
    position: int = 0


class Take(SQLModel, table=True):
    """One recording; the original file lies in the file store under its SHA-256."""

    __tablename__ = "take"
    __table_args__ = (UniqueConstraint("study_id", "key"),)
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    key: str
    label: str
    specimen: str = ""  # the very thing it is of
    session: str = ""  # that in which it was recorded
    recorded_order: int
    sha256: str = Field(index=True)
    bytes: int
    file_name: str
    format: str
    subtype: str
    bits: int | None = None
    lossy: bool = False
    rate: int
    channels: int
    # Those of the file that are the take, counted from 1; empty where the file has no others.
    kept_channels: list[int] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    # Of the file's frames those before `music_at` are the leader; the take is the `frames` after.
    music_at: int = 0
    frames: int
    loudness_lufs: float | None = None
    overview: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    notes: str = Field(default="", sa_column=Column(Text, nullable=False))
    log: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    uploaded_at: datetime


class DrawnOrder(SQLModel, table=True):
    """An order of recording that was drawn by lot for a session: specimens one after the other,
    each as often as it is set up afresh, and beside each the condition it stands for."""

    __tablename__ = "drawn_order"
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    session: str
    specimens: list[str] = Field(sa_column=Column(JSON, nullable=False))
    conditions: list[str] = Field(sa_column=Column(JSON, nullable=False))
    drawn_at: datetime


class FoundLeader(SQLModel, table=True):
    """The leader in a take's file: where it lies (`start`, in samples of the file), how it ran,
    and what it tells, channel by channel."""

    __tablename__ = "found_leader"
    id: int | None = Field(default=None, primary_key=True)
    take_id: int = Field(foreign_key="take.id", unique=True, index=True)
    start: float
    drift_ppm: float
    inverted: bool
    likeness: float
    layout: str
    channels: list[Any] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))


class WaitingFile(SQLModel, table=True):
    """An upload with more than two channels, until its organiser says which of them are the take.

    `tracks` holds, by channel, its loudness and the picture of it.
    """

    __tablename__ = "waiting_file"
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    sha256: str = Field(index=True)
    bytes: int
    file_name: str
    rate: int
    frames: int
    tracks: list[Any] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    uploaded_at: datetime


class Excerpt(SQLModel, table=True):
    """A time span on the common timeline, cut from every take."""

    __tablename__ = "excerpt"
    __table_args__ = (UniqueConstraint("study_id", "key"),)
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    key: str
    label: str = ""
    start_s: float
    end_s: float


class Clip(SQLModel, table=True):
    """One excerpt of one take, aligned and level-matched. `take_key` is `t01`, or `t01+check`
    for a planted copy. The samples (float64 .npy) lie in the file store under `samples_key`."""

    __tablename__ = "clip"
    __table_args__ = (UniqueConstraint("study_id", "take_key", "excerpt_key"),)
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    take_key: str
    excerpt_key: str
    samples_key: str
    rate: int
    channels: int
    frames: int
    gain_db: float
    delay_samples: float
    drift_ppm: float
    inverted: bool
    residual_db: float | None = None
    loudness_lufs: float | None = None
    warnings: list[dict[str, str]] = Field(
        default_factory=list, sa_column=Column(JSON, nullable=False)
    )


class Contrast(SQLModel, table=True):
    """Conditions to be told apart; `document` is its entry in the plan to be."""

    __tablename__ = "contrast"
    __table_args__ = (UniqueConstraint("study_id", "key"),)
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    key: str
    position: int = 0
    role: str
    document: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))


class Plan(SQLModel, table=True):
    """The plan of a study. While a draft, `document` holds the desk's settings; once locked,
    `canonical` holds the RFC 8785 bytes and `sha256` their hash, and neither changes again."""

    __tablename__ = "plan"
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", unique=True, index=True)
    document: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    canonical: bytes | None = Field(default=None, sa_column=Column(LargeBinary))
    sha256: str | None = None
    locked_at: datetime | None = None


class Listener(SQLModel, table=True):
    """An invited or self-joined person, known in results only by `code`.

    `ordinal` (place in the schedule) is given when the listener consents, so that people who
    never open their link leave no hole in the balance.
    """

    __tablename__ = "listener"
    __table_args__ = (UniqueConstraint("study_id", "address"), UniqueConstraint("study_id", "code"))
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    code: str
    address: str | None = None  # None for listeners of the open link
    link_hash: str = Field(unique=True, index=True)
    # The link itself, sealed with the server's secret, so that the outbox and reminders can
    # show it again; a copy of the database alone opens nothing.
    link_sealed: bytes | None = Field(default=None, sa_column=Column(LargeBinary))
    ordinal: int | None = None
    created_at: datetime
    invited_at: datetime | None = None
    opened_at: datetime | None = None
    consented_at: datetime | None = None
    checked_at: datetime | None = None
    finished_at: datetime | None = None
    revoked_at: datetime | None = None
    declined_at: datetime | None = None  # the listener's own no; revoked_at is set with it
    headphone_check: str = "not taken"
    headphone_detail: dict[str, Any] = Field(
        default_factory=dict, sa_column=Column(JSON, nullable=False)
    )
    playback: str = "unknown"
    sample_rate: int | None = None
    remarks: str = Field(default="", sa_column=Column(Text, nullable=False))
    # Screens of the booth already done ("playback", "level", "practice:abx", "questions").
    steps_done: list[str] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    withdrew: bool = False  # took back the consent before the end and left the answers


class Withdrawal(SQLModel, table=True):
    """What is left of a listener who withdrew: enough to meet the old link with a sentence, and
    to count. It leads to no answer: `code` is drawn anew, for the row in the results that says
    how many votes were removed."""

    __tablename__ = "withdrawal"
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    link_hash: str = Field(unique=True, index=True)
    kept: bool  # the answers stayed, without a name
    before_end: bool
    code: str
    votes_removed: int = 0


class Message(SQLModel, table=True):
    """A mail in the outbox: readable at the desk, sent when a mail server is set."""

    __tablename__ = "message"
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    listener_id: int | None = Field(default=None, foreign_key="listener.id", index=True)
    kind: str
    address: str
    subject: str
    # Bodies hold the personal link: sealed like it.
    sealed: bytes = Field(sa_column=Column(LargeBinary, nullable=False))
    created_at: datetime
    sent_at: datetime | None = None
    attempts: int = 0
    next_attempt_at: datetime | None = None
    failed_for_good: bool = False
    error: str = ""


class Trial(SQLModel, table=True):
    """One presentation with its secret key. `slots` are take keys by position; `right` is the
    0-based right slot, None where there is no right answer."""

    __tablename__ = "trial"
    __table_args__ = (UniqueConstraint("listener_id", "number"),)
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    listener_id: int = Field(foreign_key="listener.id", index=True)
    number: int
    block: int = 0
    contrast_key: str
    procedure: str
    excerpt_key: str
    slots: list[str] = Field(sa_column=Column(JSON, nullable=False))
    right: int | None = None


class Vote(SQLModel, table=True):
    """The answer to a trial: at most one each, made idempotent by the client's own id."""

    __tablename__ = "vote"
    __table_args__ = (
        UniqueConstraint("study_id", "sequence"),
        Index(None, "study_id", "received_at"),
    )
    id: int | None = Field(default=None, primary_key=True)
    trial_id: int = Field(foreign_key="trial.id", unique=True, index=True)
    client_id: str = Field(unique=True, index=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    listener_id: int = Field(foreign_key="listener.id", index=True)
    sequence: int
    answer: int
    plays: int = 0
    seconds: int = 0
    notes: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    received_at: datetime


class Reason(SQLModel, table=True):
    """Why a vote fell as it did, in the listener's own words and by words ticked. Apart from the
    votes, as words can tell who wrote them."""

    __tablename__ = "reason"
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", index=True)
    vote_id: int = Field(foreign_key="vote.id", unique=True, index=True)
    words: str = Field(default="", sa_column=Column(Text, nullable=False))
    ticked: list[str] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))


class Verdict(SQLModel, table=True):
    """What the plan's rule gave when the study was closed."""

    __tablename__ = "verdict"
    id: int | None = Field(default=None, primary_key=True)
    study_id: int = Field(foreign_key="study.id", unique=True, index=True)
    document: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    measured: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    concluded_at: datetime
