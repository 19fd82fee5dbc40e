"""Short sounds of our own making, as files, and studies built from them. All data invented."""

import io
import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from panel.settings import Settings, load
from panel.stages import accounts, studies
from panel.stages.contrasts import asked
from panel.stages.plan import lock
from panel.stages.takes import drawn_orders, intake
from panel.stages.takes.drawn_orders import Side
from panel.store.opening import open_store
from panel.store.session import Store
from panel.study.conditions import Condition

RATE = 16_000


def music(
    seed: int = 0, *, seconds: float = 3.0, rate: int = RATE, gain: float = 1.0, delay: int = 0
) -> np.ndarray:
    """Plucked tones, the same for every seed; noise of their own for each, 80 dB down."""
    rng = np.random.default_rng(20)
    n = int(rate * seconds)
    sound = np.zeros(n)
    for _ in range(12):
        at = int(rng.uniform(0, 0.8) * n)
        t = np.arange(n - at) / rate
        tone = np.sin(2 * np.pi * rng.uniform(150, 5000) * t) * np.exp(-4 * t)
        sound[at:] += rng.uniform(0.3, 1) * tone
    sound = np.roll(sound * 0.3 / np.abs(sound).max(), delay) * gain
    return sound + 3e-5 * np.random.default_rng(seed).standard_normal(n)


def file(sound: np.ndarray, *, rate: int = RATE, kind: str = "WAV", words: str = "PCM_24") -> bytes:
    out = io.BytesIO()
    soundfile.write(out, sound, rate, format=kind, subtype=words)
    return out.getvalue()


def take(seed: int = 0, **how: float) -> bytes:
    return file(music(seed, **how))


@dataclass(frozen=True)
class Made:
    """A study in a store of its own."""

    settings: Settings
    store: Store
    organiser: int
    code: str
    id: int
    adhesive: str = ""

    @property
    def href(self) -> str:
        return f"/desk/studies/{self.code}"

    def sides(self) -> tuple[Condition, ...]:
        return asked.by_value(self.store, self.id, self.adhesive)


def empty(folder: Path) -> Made:
    """An organiser with a study in which nothing has been done."""
    settings = load(data=folder, secret="a secret for tests only")
    store = open_store(settings)
    who = accounts.add_organiser(store, "maker@larkfield.example", "Larkfield", "hide glue & zinc")
    code = studies.create(store, who, "Pickups", "Does the stiffer adhesive sound different?")
    return Made(settings, store, who, code, studies.overview(store, who, code).id)


def logged(folder: Path, takes: int = 4) -> Made:
    """Takes in mixed order of two adhesives, each of another pickup; nothing asked yet."""
    made = empty(folder)
    intake.name_carrier(made.store, made.id, "the bench zither")
    adhesive = intake.add_factor(made.store, made.id, "adhesive", "named")
    for number in range(takes):
        sound = take(number, delay=7 * number, gain=1 - 0.05 * number)
        view = intake.add_take(made.store, made.id, f"take {number + 1}.wav", [sound])
        value = "hide glue" if number % 4 in (0, 3) else "epoxy"
        specimen = f"{value[0].upper()}-{1 + number // 2}"
        intake.log_take(
            made.store, made.id, view.key, {adhesive: value}, specimen=specimen, session="2 May"
        )
    intake.add_excerpt(made.store, made.id, 0.5, 2.5)
    return Made(made.settings, made.store, made.organiser, made.code, made.id, adhesive)


def ask(made: Made, **how: object) -> str:
    """The obvious question."""
    given: dict[str, object] = {
        "name": "Stiffer adhesive",
        "procedure": "abx",
        "factor": made.adhesive,
        "conditions": made.sides(),
        "votes_per_listener": 12,
    }
    return asked.add_question(made.store, made.id, **(given | how))


def ready(folder: Path) -> Made:
    """Everything done but the lock: question, planted check, rules, clips, a further session's
    order."""
    from panel.stages.clips import prepare

    made = logged(folder)
    ask(made)
    asked.add_planted_check(
        made.store,
        made.id,
        take_key="t01",
        kind="shelf",
        amount_db=6,
        procedure="abx",
        votes_per_listener=4,
    )
    sides = [Side("hide glue", ("H-3", "H-4")), Side("epoxy", ("E-3", "E-4"))]
    drawn_orders.draw(made.store, made.id, "9 May", sides, rng=np.random.default_rng(9))
    lock.set_rule(made.store, made.id, listeners=20)
    prepare.prepare(made.store, made.id)
    return made


def copy_of(made: Made, folder: Path) -> Made:
    """The same study in another folder, to be changed at will."""
    made.store.engine.dispose()
    shutil.copytree(made.settings.data, folder, dirs_exist_ok=True)
    settings = load(data=folder, secret="a secret for tests only")
    return Made(settings, open_store(settings), made.organiser, made.code, made.id, made.adhesive)


def stored(made: Made) -> set[str]:
    """Every file in the data folder but the database."""
    root = made.settings.data
    return {
        str(path.relative_to(root))
        for path in root.rglob("*")
        if path.is_file() and not path.name.startswith("panel.sqlite")
    }
