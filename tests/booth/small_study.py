"""A small study written straight into the tables: two takes a side, any procedures.

The clips are synthesised (invented data): a decaying tone whose pitch names the take, so that a
test can tell from the *sound* which take was played.
"""

import io
import secrets
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np

from panel.store.sealing import code_hash, new_code
from panel.store.session import Store
from panel.store.tables import Clip, Excerpt, Listener, Organiser, Plan, Study, Take
from panel.study.plan_reading import read_plan

RATE = 48_000
PITCH = {"t01": 330.0, "t02": 370.0, "t03": 415.0, "t04": 466.0, "t01+check": 554.0}
FOUR_PROCEDURES = ("abx", "triangle", "attribute", "preference")
ALL_PROCEDURES = (
    "abx",
    "triangle",
    "duo_trio",
    "same_different",
    "reminder",
    "attribute",
    "preference",
    "tetrad",
)


@dataclass(frozen=True)
class SmallStudy:
    id: int
    code: str
    links: tuple[str, ...]
    open_link: str
    plan: dict[str, Any]


def plan_document(
    procedures: tuple[str, ...] = FOUR_PROCEDURES,
    *,
    votes: int = 3,
    headphones: str = "record",
    length_s: float = 0.5,
    listeners: int = 40,
    preference: dict[str, Any] | None = None,
    **more: Any,
) -> dict[str, Any]:
    """A plan with one question for each procedure and a planted check; `more`: further keys."""
    log = {"t01": "hide glue", "t02": "hide glue", "t03": "epoxy", "t04": "epoxy"}
    conditions = [
        {"label": "hide glue", "dose": None, "takes": ["t01", "t02"]},
        {"label": "epoxy", "dose": None, "takes": ["t03", "t04"]},
    ]
    contrasts: list[dict[str, Any]] = []
    for number, code in enumerate(procedures, start=1):
        shared = {"procedure": code, "name": f"Adhesive, {code}"}
        contrasts.append(
            {
                "id": f"q{number}",
                "role": "question",
                "attribute": "top end" if code == "attribute" else None,
                "factor": "adhesive",
                "scale": None,
                "conditions": conditions,
                "level": "matched",
                "votes_per_listener": votes,
                "differs": ["adhesive"],
                "unlogged": [],
                "override_reason": None,
                **shared,
                **((preference or {}) if code == "preference" else {}),
            }
        )
        if code == "reminder":  # takes go by condition: there are no pairs of retakes
            continue
        contrasts.append(
            {"id": f"q{number}-retakes", "role": "retake_control", "of": f"q{number}", **shared}
        )
    contrasts.append(
        {
            "id": "check",
            "name": "Planted check",
            "role": "planted_check",
            "procedure": procedures[0],
            "attribute": "top end" if procedures[0] == "attribute" else None,
            "planted": {"kind": "shelf", "amount_db": 6.0},
            "factor": None,
            "scale": None,
            "conditions": [
                {"label": "unchanged", "dose": None, "takes": ["t01"]},
                {"label": "planted", "dose": None, "takes": ["t01+check"]},
            ],
            "level": "matched",
            "votes_per_listener": 1,
            "differs": [],
            "unlogged": [],
            "override_reason": None,
        }
    )
    return {
        "format": "fair-hearing-plan/2",
        "study": {"title": "Zither pickups, autumn", "question": "Is the stiffer glue heard?"},
        "alpha": 0.05,
        "limit": 0.25,
        "confidence": 0.95,
        "stop": {"kind": "fixed", "listeners": listeners},
        "exclusion": {"planted_least_right": None, "headphones": headphones},
        "schedule_seed": "00112233445566778899aabbccddeeff",
        "factors": [
            {"id": "adhesive", "name": "adhesive", "kind": "named", "unit": "", "tolerance": 0.0}
        ],
        "takes": [
            {
                "id": key,
                "label": key,
                "sha256": "0" * 63 + key[-1],
                "specimen": f"the one of {log[key]}",
                "session": "one",
                "order": order,
                "log": {"adhesive": log[key]},
            }
            for key, order in (("t01", 1), ("t02", 3), ("t03", 2), ("t04", 4))
        ],
        "carrier": "",
        "draws": [],
        "excerpts": [
            {"id": "e1", "start_s": 1.0, "end_s": 1.0 + length_s},
            {"id": "e2", "start_s": 4.0, "end_s": 4.0 + length_s},
        ],
        "contrasts": contrasts,
        **more,
    }


def tone(take: str, excerpt: str, length_s: float, channels: int = 2) -> np.ndarray:
    """The clip of a take and excerpt: float64, shape (frames, channels), peak about 0.25."""
    frames = round(length_s * RATE)
    seconds = np.arange(frames) / RATE
    pitch = PITCH[take] * (1.0 if excerpt == "e1" else 1.5)
    rise = np.minimum(1.0, seconds / 0.02)
    sound = 0.25 * rise * np.exp(-seconds / 4.0) * np.sin(2 * np.pi * pitch * seconds)
    return np.repeat(sound[:, None], channels, axis=1)


def build(
    store: Store,
    *,
    procedures: tuple[str, ...] = FOUR_PROCEDURES,
    votes: int = 3,
    headphones: str = "record",
    length_s: float = 0.5,
    listeners: int = 3,
    locked: bool = True,
    sound: Any = tone,
    **more: Any,
) -> SmallStudy:
    """Write the study, its clips and so many invited listeners; `more` goes into the plan."""
    document = plan_document(
        procedures, votes=votes, headphones=headphones, length_s=length_s, **more
    )
    plan = read_plan(document)
    now = store.now()
    open_link = new_code()
    links = tuple(new_code() for _ in range(listeners))
    with store.session() as s:
        organiser = Organiser(
            address=f"maker-{secrets.token_hex(4)}@example.org",
            name="Larkfield Pickups",
            created_at=now,
        )
        s.add(organiser)
        s.flush()
        study = Study(
            code=new_code(64),
            organiser_id=organiser.id,
            title=document["study"]["title"],
            question=document["study"]["question"],
            created_at=now - timedelta(days=2),
            locked_at=now - timedelta(days=1) if locked else None,
            open_link_hash=code_hash(open_link),
        )
        s.add(study)
        s.flush()
        s.add(
            Plan(
                study_id=study.id,
                document={},
                canonical=plan.canonical if locked else None,
                sha256=plan.sha256 if locked else None,
                locked_at=study.locked_at,
            )
        )
        for excerpt in document["excerpts"]:
            s.add(
                Excerpt(
                    study_id=study.id,
                    key=excerpt["id"],
                    start_s=excerpt["start_s"],
                    end_s=excerpt["end_s"],
                )
            )
        for take in document["takes"]:
            s.add(
                Take(
                    study_id=study.id,
                    key=take["id"],
                    label=take["label"],
                    recorded_order=take["order"],
                    sha256=take["sha256"],
                    bytes=1,
                    file_name=f"{take['id']}.wav",
                    format="WAV",
                    subtype="PCM_24",
                    rate=RATE,
                    channels=2,
                    frames=10 * RATE,
                    log=take["log"],
                    uploaded_at=now,
                )
            )
        for take in PITCH:
            for excerpt in ("e1", "e2"):
                samples = sound(take, excerpt, length_s)
                key = f"clip/{study.code}-{take}-{excerpt}.npy"
                content = io.BytesIO()
                np.save(content, samples)
                store.files.write(key, content.getvalue())
                s.add(
                    Clip(
                        study_id=study.id,
                        take_key=take,
                        excerpt_key=excerpt,
                        samples_key=key,
                        rate=RATE,
                        channels=samples.shape[1],
                        frames=samples.shape[0],
                        gain_db=0.0,
                        delay_samples=0.0,
                        drift_ppm=0.0,
                        inverted=False,
                        loudness_lufs=-23.0,
                    )
                )
        for number, link in enumerate(links, start=1):
            s.add(
                Listener(
                    study_id=study.id,
                    code=secrets.token_hex(4),
                    address=f"listener{number}@example.org",
                    link_hash=code_hash(link),
                    created_at=now,
                    invited_at=now,
                )
            )
        s.commit()
        return SmallStudy(study.id, study.code, links, open_link, plan.document())
