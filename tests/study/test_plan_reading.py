"""A plan read from its document: typed, written back to the same bytes, refused with a path."""

from __future__ import annotations

import copy
import hashlib

import pytest
import rfc8785

from panel.design.plan import build
from panel.errors import BadInput
from panel.study.conditions import Condition
from panel.study.factors import Factor
from panel.study.plan import Contrast, Exclusion, PlanExcerpt, PlanTake, Planted, Stop
from panel.study.plan_reading import locked_plan, read_plan, typed

# Plans of every kind, all data invented: what differs between takes, and what is asked of them.

FACTORS = (
    Factor("resin", "resin"),
    Factor("frame", "frame"),
    Factor("hours", "hours of curing", "numeric", "h", 0.5),
)


def take(number: int, resin: str = "pine", frame: str = "ash", hours: float | None = 0.0):
    log = {"resin": resin, "frame": frame, "hours": hours}
    channels = (1, 3) if number == 1 else ()
    return PlanTake(
        f"t{number:02d}",
        f"tåke {number}",
        f"{number:064x}",
        number,
        log,
        channels,
        f"the {resin} one",
        "one",
    )


TWO = (Condition("pine", ("t01", "t03")), Condition("birch", ("t02", "t04")))
TAKES = [take(1), take(2, "birch"), take(3), take(4, "birch")]
CHECK = Contrast(
    "check", "Planted", "planted_check", "abx",
    (Condition("unchanged", ("t01",)), Condition("planted", ("t01+check",))), 3,
    planted=Planted("shelf", 6.5),
)  # fmt: skip


def asked(procedure: str = "abx", conditions=TWO, role: str = "question", **more):
    return Contrast("q1", " Resin ", role, procedure, conditions, 8, **more)


def crossed():
    takes = [
        take(n, resin, frame)
        for n, (resin, frame) in enumerate(
            [(r, f) for _ in range(2) for f in ("ash", "elm") for r in ("pine", "birch")], 1
        )
    ]
    sides = tuple(
        Condition(resin, tuple(t.id for t in takes if t.log["resin"] == resin))
        for resin in ("pine", "birch")
    )
    return {"takes": takes, "contrasts": [asked(conditions=sides, given=("frame",)), CHECK]}


DOSES = {
    "takes": [take(n, hours=h) for n, h in enumerate((0.0, 1e3, 2.5, 0, 1e3, 2.5), 1)],
    "contrasts": [
        asked(
            "triangle",
            tuple(
                Condition(f"{h:g} h", (f"t{n:02d}", f"t{n + 3:02d}"), h)
                for n, h in ((1, 0.0), (2, 1e3), (3, 2.5))
            ),
            scale="log1p",
        )
    ],
}
PREFERENCE = asked(
    "preference", ties=True, reasons=True, attributes=("warm ", "thin"), level="as_recorded"
)

PLANS = {
    **{
        procedure: {"contrasts": [asked(procedure), CHECK]}
        for procedure in ("abx", "triangle", "duo_trio", "same_different", "reminder", "preference")
    },
    "attribute": {"contrasts": [asked("attribute", attribute="“Glanz”"), CHECK]},
    "ties": {"contrasts": [PREFERENCE], "own_summary": True},
    "anytime": {"stop": "anytime", "planted_least_right": 2, "headphones": "exclude"},
    "other check": {"headphone_check": "huggins", "alpha": 0.01, "limit": 1e-1},
    "doses": DOSES,
    "given": crossed(),
    "retake control": {
        "contrasts": [
            asked(),
            Contrast(
                "r1", "Retakes", "retake_control", "abx",
                (Condition("first", ("t01",)), Condition("second", ("t03",))), 4,
            ),
        ],
    },
    "override": {
        "takes": [take(1), take(2, "birch", "elm"), take(3, hours=None), take(4, "birch", "elm")],
        "contrasts": [asked(override_reason="they come together")],
    },
}  # fmt: skip


def built(name: str = "abx"):
    """The plan's document, as plain JSON and nothing else."""
    return build(
        **{
            "title": "Larkfield frames",
            "question": "Does the resin matter?",
            "factors": FACTORS,
            "takes": TAKES,
            "excerpts": [PlanExcerpt("e1", 0, 5.25), PlanExcerpt("e2", 8.1, 13.0)],
            "contrasts": [asked(), CHECK],
            "listeners": 20,
            "schedule_seed": "0123456789abcdef" * 2,
            **PLANS[name],
        }
    ).document()


# What the program gave when plans were built as dictionaries and hashed without ever being read.
SHA256 = {
    "abx": "84cbad9c617a39bd795d56f925ad095fd2217d40b75c6034d7d73fb3857e46f5",
    "triangle": "915b7372274c41b45637fcb6b7b0c37b7fef49a9ee551aadd911e900a32730f4",
    "duo_trio": "e7f4d8659738691fabe6038a8a943df1afa962dd6cdc4d8c2ed54a33effc969f",
    "same_different": "df70fd6297a1c03378928929a91a064d6a4befa94432dab85e6a3b71aaa6f982",
    "reminder": "d948d4144bf8eb5ba2bbb135ba7b3e1c1e64edf455a986ca2d0c4b86b50eec16",
    "preference": "0b2b8dd0e3b6d0cf8434ba1cd286b619173a449cd1ae11e175bf71291384e226",
    "attribute": "fa17bac653da6f846bb19165a01464eefab58d3a7fe1d84f97cebd5aa0c8b55e",
    "ties": "581b4b49d3f3deb5f779f4faafa3067d57d1b5b457f3f2aee9191b533fb4bfba",
    "anytime": "768fc13ff8c0a1ab4da76094c7b0d36b11ccf5006b44f0cb8afa1f6ccfe357b0",
    "other check": "3795b46c091138fad2c9eb1304b61f44cc193bbf5f48c5bd18c13dfb9fe2a97d",
    "doses": "898b0f40886db477a19cb3fda48f0015802e1cf688cc9f2e2266f3558be4f972",
    "given": "c3ae0a047737435d8fc924fff5ba8e64cf551c88ae5ca0cf513c70823246e7d4",
    "retake control": "b46d96a8627de446e1f6b50f6d9d3911a63cd314bfb8f02dc9fff68606920285",
    "override": "0ca887b55f16800ad53d6193a7d2d711688c124447cdb0ca99bf8244c30eba9f",
}


@pytest.mark.parametrize("name", PLANS)
def test_a_plan_keeps_its_sha256(name):
    assert hashlib.sha256(rfc8785.dumps(built(name))).hexdigest() == SHA256[name]


@pytest.mark.parametrize("name", PLANS)
def test_the_typed_values_alone_write_the_same_bytes(name):
    document = built(name)
    content = rfc8785.dumps(document)
    for plan in (read_plan(document), typed(document), read_plan(content), locked_plan(content)):
        assert plan.as_read == b""  # nothing but typed values is kept
        assert plan.document() == document
        assert plan.canonical == content
        assert plan.sha256 == hashlib.sha256(content).hexdigest()


def test_every_entry_is_there_by_name():
    plan = read_plan(built("ties"))
    question = plan.contrasts[0]
    assert (plan.title, plan.question) == ("Larkfield frames", "Does the resin matter?")
    assert plan.stop == Stop("fixed", 20)
    assert plan.exclusion == Exclusion(None, "record", "antiphase")
    assert (plan.own_summary, plan.schedule_seed) == (True, "0123456789abcdef" * 2)
    assert plan.factors == FACTORS
    assert plan.takes[0] == TAKES[0]
    assert [(e.id, e.start_s, e.end_s) for e in plan.excerpts] == [
        ("e1", 0.0, 5.25), ("e2", 8.1, 13.0),
    ]  # fmt: skip
    assert (question.name, question.conditions, question.factor) == ("Resin", TWO, "resin")
    assert (question.ties, question.reasons, question.attributes) == (True, True, ("warm", "thin"))
    assert (question.level, question.votes_per_listener) == ("as_recorded", 8)
    assert [c.id for c in plan.contrasts if c.of == question.id] == ["q1-retakes"]
    planted = read_plan(built()).planted_checks[0].planted
    assert (planted.kind, planted.amount_db) == ("shelf", 6.5)


def changed(document, path, value=...):
    """The document with one entry changed, or without it."""
    entry = document = copy.deepcopy(document)
    for key in path[:-1]:
        entry = entry[key]
    if value is ...:
        del entry[path[-1]]
    else:
        entry[path[-1]] = value
    return document


WRONG = {
    "contrasts[0].conditions[0].takes": ("contrasts", 0, "conditions", 0, "takes"),
    "contrasts[0].conditions[1].takes[0]": ("contrasts", 0, "conditions", 1, "takes", 0),
    "contrasts[0].conditions[1].label": ("contrasts", 0, "conditions", 1, "label"),
    "contrasts[0].votes_per_listener": ("contrasts", 0, "votes_per_listener"),
    "contrasts[0].procedure": ("contrasts", 0, "procedure"),
    "contrasts[2].planted.amount_db": ("contrasts", 2, "planted", "amount_db"),
    "contrasts[1]": ("contrasts", 1),
    "alpha": ("alpha",),
    "stop": ("stop",),
    "stop.listeners": ("stop", "listeners"),
    "exclusion.headphones": ("exclusion", "headphones"),
    "factors[2].tolerance": ("factors", 2, "tolerance"),
    "factors[1].kind": ("factors", 1, "kind"),
    "takes[3].order": ("takes", 3, "order"),
    "takes[3].log.hours": ("takes", 3, "log", "hours"),
    "takes[0].channels[1]": ("takes", 0, "channels", 1),
    "excerpts[1].end_s": ("excerpts", 1, "end_s"),
    "study.title": ("study", "title"),
}


@pytest.mark.parametrize("path", WRONG)
@pytest.mark.parametrize("read", [read_plan, typed])
def test_what_has_the_wrong_type_is_refused_with_its_path(path, read):
    with pytest.raises(BadInput) as caught:
        read(changed(built(), WRONG[path], [{}] if path == "alpha" else True))
    assert f"{path} " in caught.value.message
    assert caught.value.hint


@pytest.mark.parametrize("path", ["stop.listeners", "contrasts[0].conditions[0].takes", "alpha"])
@pytest.mark.parametrize("read", [read_plan, typed])
def test_what_is_missing_is_refused_with_its_path(path, read):
    with pytest.raises(BadInput, match="lacks the entry") as caught:
        read(changed(built(), WRONG[path]))
    assert f"'{path}'" in caught.value.message


VALUES = {
    "contrasts[0].procedure": (("contrasts", 0, "procedure"), "guessing"),
    "contrasts[2].role": (("contrasts", 2, "role"), "king"),
    "contrasts[1].of": (("contrasts", 1, "of"), "q9"),
    "contrasts[2].id": (("contrasts", 0, "id"), "check"),
    "contrasts[0].conditions[1].takes": (("contrasts", 0, "conditions", 1, "takes"), []),
    "contrasts[0].scale": (("contrasts", 0, "scale"), "cubic"),
    "contrasts[0].strata": (("contrasts", 0, "given"), ["frame"]),
    "stop.kind": (("stop", "kind"), "whenever"),
    "exclusion.planted_least_right": (("exclusion", "planted_least_right"), 0),
    "limit": (("limit",), 1.5),
}


@pytest.mark.parametrize("path", VALUES)
def test_what_cannot_be_computed_with_is_refused_with_its_path(path):
    where, value = VALUES[path]
    with pytest.raises(BadInput) as caught:
        read_plan(changed(built(), where, value))
    said = caught.value.message
    assert path in said or path.replace("[2].id", "[0].id") in said


LACKING = [
    ("study",), ("confidence",), ("exclusion",), ("own_summary",), ("schedule_seed",), ("factors",),
    ("excerpts",), ("factors", 0, "kind"), ("factors", 0, "name"), ("takes", 0, "label"),
    ("takes", 0, "log"), ("contrasts", 0, "name"), ("contrasts", 0, "level"),
    ("contrasts", 0, "differs"), ("contrasts", 0, "override_reason"), ("contrasts", 2, "planted"),
]  # fmt: skip


@pytest.mark.parametrize("path", LACKING, ids=str)
def test_a_plan_made_elsewhere_may_lack_what_nobody_computes_with(path):
    document = changed(built(), path)
    plan = read_plan(document)
    assert plan.sha256 == hashlib.sha256(rfc8785.dumps(document)).hexdigest()
    assert plan.document() == document  # what was locked, not what we would have written


def test_what_we_do_not_know_is_kept_as_it_was():
    document = built() | {"remarks": ["by hand"], "confidence": 0.9}
    document["takes"][0]["room"] = {"m2": 12.5}
    plan = read_plan(document)
    assert plan.confidence == 0.9
    assert plan.document() == document
    assert plan.sha256 == hashlib.sha256(rfc8785.dumps(document)).hexdigest()


@pytest.mark.parametrize("content", [b"", b"{", b"[1]", b"null", b'"plan"', b"[" * 100_000])
def test_what_is_no_document_is_refused(content):
    with pytest.raises(BadInput):
        read_plan(content)
