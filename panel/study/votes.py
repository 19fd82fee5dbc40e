"""The vote table: what every verdict is computed from, and nothing else.

One row a vote, listeners under random codes. Reading is strict: a table that contradicts itself
or the plan is refused with a sentence, never repaired.
"""

import csv
import io
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from panel.errors import BadInput
from panel.procedures.catalogue import PROCEDURES
from panel.study.plan import Contrast, Plan

DIRECTED = tuple(code for code, kind in PROCEDURES.items() if kind.directed)
UNDIRECTED = tuple(code for code, kind in PROCEDURES.items() if not kind.directed)
PLACES = ("one", "two", "three")
VOTE_COLUMNS = (
    "sequence", "listener", "trial", "contrast", "procedure", "excerpt", "one", "two", "three",
    "answer", "correct", "plays", "seconds", "day", "four",
)  # fmt: skip
LISTENER_COLUMNS = (
    "listener", "finished", "headphone_check", "playback", "sample_rate", "votes", "withdrew",
    "votes_removed",
)  # fmt: skip
ADDED_VOTE_COLUMNS = ("four",)  # archives made before lack it, and need it not
ADDED_LISTENER_COLUMNS = ("withdrew", "votes_removed")  # archives made before lack them
HEADPHONE_CHECKS = ("passed", "failed", "not taken")
WITHDREW = ("", "kept", "removed")


@dataclass(frozen=True)
class Vote:
    """One answered trial. `one`, `two`, `three`: take ids by slot; `correct` None if directed."""

    sequence: int
    listener: str
    trial: int
    contrast: str
    procedure: str
    excerpt: str
    one: str
    two: str
    three: str | None
    answer: str
    correct: bool | None
    plays: int = 1
    seconds: int = 0
    day: int = 0
    four: str | None = None

    @property
    def slots(self) -> tuple[str, ...]:
        return tuple(t for t in (self.one, self.two, self.three, self.four) if t is not None)

    @property
    def tied(self) -> bool:
        """Neither take was preferred."""
        return self.answer == "neither"

    @property
    def chosen(self) -> str:
        """The take in the slot that was named; there is none where the answer names no slot."""
        return self.slots[PLACES.index(self.answer)]

    @property
    def pair(self) -> tuple[str, str]:
        """The two takes that were compared, sorted; reminders are none of them."""
        a, b = sorted({self.one, self.two} if self.four is not None else set(self.slots))
        return a, b


@dataclass(frozen=True)
class ListenerRow:
    """One listener, known by a random code, with what was declared and checked.

    `withdrew`: "" (no), "kept" (the answers stay, without a name) or "removed" (no answer is left,
    and `votes_removed` says how many there were).
    """

    listener: str
    finished: bool
    headphone_check: str
    playback: str
    sample_rate: int | None
    votes: int
    withdrew: str = ""
    votes_removed: int = 0


def _bad(message: str) -> BadInput:
    return BadInput(
        message, hint="Use the votes.csv and listeners.csv of one export, as they were written."
    )


def right_answer(procedure: str, slots: Sequence[str]) -> str | None:
    """The answer that is right, from the takes alone; None when none is right by itself.

    ABX: of slots one and two, the one that slot three repeats. Triangle: the odd one. Duo-trio: of
    slots two and three, the one that repeats slot one. Same–different: whether slots one and
    two hold one take.
    """
    if procedure == "abx":
        return PLACES[slots.index(slots[2], 0, 2)]
    if procedure == "duo_trio":
        return PLACES[slots.index(slots[0], 1)]
    if procedure == "triangle":
        return PLACES[next(i for i, take in enumerate(slots) if list(slots).count(take) == 1)]
    if procedure == "same_different":
        return "same" if slots[0] == slots[1] else "different"
    return None


def slots_fit(vote: Vote) -> str | None:
    """What is wrong with a vote's slots and answer, or None."""
    procedure, slots = vote.procedure, vote.slots
    if procedure in DIRECTED:
        if vote.three is not None:
            return "has three samples, where this procedure has two"
        if vote.one == vote.two:
            return "compares a take with itself"
        if vote.answer not in ("one", "two") and (procedure != "preference" or not vote.tied):
            return f"has the answer {vote.answer!r}, where one or two was possible"
        return None
    if vote.four is not None and procedure != "reminder":
        return "has a fourth sample, which only a reminder has"
    if procedure == "reminder":
        if len(slots) != 4 or len(set(slots)) != 4:
            return "does not have two fresh takes and two others as reminders"
        if vote.answer not in ("one", "two"):
            return f"has the answer {vote.answer!r}, where one or two was possible"
        return None
    if procedure == "same_different":
        if vote.one == vote.two and vote.three in (None, vote.one):
            return "has one take twice and does not name the take it was paired with"
        if vote.one != vote.two and vote.three is not None:
            return "has three samples, where this procedure has two"
        if vote.answer not in ("same", "different"):
            return f"has the answer {vote.answer!r}, where same or different was possible"
        return None
    if vote.three is None:
        return "has no third sample, which this procedure needs"
    if procedure == "abx":
        if vote.one == vote.two or vote.three not in (vote.one, vote.two):
            return "does not have two different takes and one of them again"
        if vote.answer not in ("one", "two"):
            return f"has the answer {vote.answer!r}, where one or two was possible"
        return None
    if procedure == "duo_trio":
        if vote.two == vote.three or vote.one not in (vote.two, vote.three):
            return "does not have a reference and, after it, that take again and another"
        if vote.answer not in ("two", "three"):
            return f"has the answer {vote.answer!r}, where two or three was possible"
        return None
    if len(set(slots)) != 2:
        return "does not have one odd sample among three"
    if vote.answer not in ("one", "two", "three"):
        return f"has the answer {vote.answer!r}, where one, two or three was possible"
    return None


def expected_correct(vote: Vote, contrast: Contrast) -> bool | None:
    """Whether the vote is right, recomputed from its slots; None where no answer is right.

    Undirected: from the slots. A planted check by attribute has a known direction: its second
    condition has more.
    """
    if vote.procedure == "reminder":
        side = contrast.side_of
        return side[vote.chosen] == side[vote.slots[2]]
    if vote.procedure in UNDIRECTED:
        return vote.answer == right_answer(vote.procedure, vote.slots)
    if vote.procedure == "attribute" and contrast.role == "planted_check":
        return vote.chosen in contrast.conditions[1].takes
    return None


def check_against_plan(
    plan: Plan, votes: Sequence[Vote], listeners: Sequence[ListenerRow]
) -> tuple[list[Vote], list[ListenerRow]]:
    """The rows in order, `correct` recomputed; raises BadInput if anything contradicts the plan."""
    by_id = {c.id: c for c in plan.contrasts}
    codes = [row.listener for row in listeners]
    for code in sorted(c for c, times in Counter(codes).items() if times > 1):
        raise _bad(f"Listener {code} stands in the listener table twice.")
    seen_trials: set[tuple[str, int]] = set()
    seen_sequence: set[int] = set()
    known, out = set(codes), []
    cast = dict.fromkeys(codes, 0)
    for vote in votes:
        where = f"Vote {vote.sequence} (listener {vote.listener}, trial {vote.trial})"
        if (vote.listener, vote.trial) in seen_trials:
            raise _bad(f"{where} is there twice: each trial of a listener may have one vote.")
        if vote.sequence in seen_sequence:
            raise _bad(f"The sequence number {vote.sequence} is used by two votes.")
        seen_trials.add((vote.listener, vote.trial))
        seen_sequence.add(vote.sequence)
        if vote.listener not in known:
            raise _bad(f"{where} is by a listener who is not in the listener table.")
        cast[vote.listener] += 1
        contrast = by_id.get(vote.contrast)
        if contrast is None:
            raise _bad(
                f"{where} belongs to contrast “{vote.contrast}”, which the plan does not have: "
                "these votes and this plan do not belong together."
            )
        if contrast.of is not None:
            raise _bad(
                f"{where} is booked under “{contrast.id}”, which only reports the retake pairs of "
                f"“{contrast.of}”: such votes carry the question's id."
            )
        if vote.procedure != contrast.procedure:
            raise _bad(
                f"{where} was put by {vote.procedure!r}, the plan asks “{contrast.id}” by "
                f"{contrast.procedure!r}."
            )
        if vote.excerpt not in plan.excerpt_ids:
            raise _bad(f"{where} has the excerpt “{vote.excerpt}”, which the plan does not have.")
        for take in vote.slots:
            if take not in contrast.side_of:
                raise _bad(
                    f"{where} has the take “{take}”, which contrast “{contrast.id}” of the plan "
                    "does not have: these votes and this plan do not belong together."
                )
        stratum = contrast.stratum_of
        if stratum and len({stratum[take] for take in vote.slots}) > 1:
            raise _bad(
                f"{where} compares takes that differ in what contrast “{contrast.id}” is asked "
                "given: the plan puts no such pair."
            )
        wrong = slots_fit(vote)
        if wrong:
            raise _bad(f"{where} {wrong}.")
        if vote.four is not None:
            sides = [contrast.side_of[take] for take in vote.slots]
            if sides[0] == sides[1] or sides[2] == sides[3]:
                raise _bad(
                    f"{where} does not have one take of each condition, and a reminder of each."
                )
        if vote.tied and not contrast.ties:
            raise _bad(f"{where} prefers neither, which the plan does not allow.")
        expected = expected_correct(vote, contrast)
        free_control = contrast.role == "retake_control" and vote.procedure == "attribute"
        if free_control:
            if vote.correct is not None and vote.correct != (
                vote.chosen in contrast.conditions[1].takes
            ):
                raise _bad(f"{where} is marked against its own slots and answer.")
        elif vote.correct != expected:
            said = {True: "right", False: "wrong", None: "neither right nor wrong"}
            raise _bad(
                f"{where} is marked {said[vote.correct]}, but by its slots and answer it is "
                f"{said[expected]}."
            )
        if min(vote.plays, vote.seconds, vote.day) < 0 or vote.trial < 1 or vote.sequence < 1:
            raise _bad(f"{where} has a negative count or time.")
        out.append(replace(vote, correct=expected))
    for row in listeners:
        if row.votes != cast[row.listener]:
            raise _bad(
                f"Listener {row.listener} is said to have cast {row.votes} votes, the vote table "
                f"has {cast[row.listener]}."
            )
        if row.headphone_check not in HEADPHONE_CHECKS:
            raise _bad(
                f"Listener {row.listener} has the headphone check {row.headphone_check!r}; "
                f"known are {', '.join(HEADPHONE_CHECKS)}."
            )
        if row.withdrew not in WITHDREW:
            raise _bad(
                f"Listener {row.listener} has {row.withdrew!r} under withdrew; it is empty, kept "
                "or removed."
            )
        if row.withdrew == "removed" and row.votes:
            raise _bad(f"Listener {row.listener} had the answers removed, and yet some are there.")
        if row.votes_removed < 0 or (row.votes_removed and row.withdrew != "removed"):
            raise _bad(f"Listener {row.listener} has an impossible number of removed votes.")
    out.sort(key=lambda v: v.sequence)
    return out, sorted(listeners, key=lambda r: r.listener)


def _rows(text: str, columns: tuple[str, ...], table: str) -> list[dict[str, str]]:
    reader = csv.DictReader(io.StringIO(text.removeprefix("\ufeff"), newline=""), strict=True)
    try:
        found = list(reader.fieldnames or ())
        missing = [c for c in columns if c not in found]
        if missing and len(found) == 1 and ";" in found[0]:
            raise _bad(f"The {table} table is separated by semicolons; it must be by commas.")
        if missing:
            raise _bad(f"The {table} table lacks the column {', '.join(missing)}.")
        twice = sorted({c for c in found if found.count(c) > 1})
        if twice:
            raise _bad(f"The {table} table has the column {', '.join(twice)} twice.")
        rows = list(reader)
    except csv.Error as broken:
        raise _bad(f"This is no {table} table, as it is not CSV: {broken}.") from broken
    for i, row in enumerate(rows, start=2):
        if None in row or None in row.values():
            raise _bad(f"Line {i} of the {table} table has too many or too few fields.")
    return rows


def _whole(row: dict[str, str], column: str, line: int, table: str) -> int:
    text = row[column].strip()
    if not text.isascii() or not text.isdigit():
        raise _bad(f"Line {line} of the {table} table: {column} is {text!r}, not a whole number.")
    return int(text)


def _flag(row: dict[str, str], column: str, line: int, table: str) -> bool:
    text = row[column].strip()
    if text not in ("0", "1"):
        raise _bad(f"Line {line} of the {table} table: {column} is {text!r}, not 0 or 1.")
    return text == "1"


def read_csv(text: str) -> list[Vote]:
    """Votes from the text of votes.csv; raises BadInput naming line and column."""
    votes = []
    needed = tuple(c for c in VOTE_COLUMNS if c not in ADDED_VOTE_COLUMNS)
    for i, row in enumerate(_rows(text, needed, "vote"), start=2):
        for column in ("listener", "contrast", "procedure", "excerpt", "one", "two", "answer"):
            if not row[column].strip():
                raise _bad(f"Line {i} of the vote table: {column} is empty.")
        votes.append(
            Vote(
                sequence=_whole(row, "sequence", i, "vote"),
                listener=row["listener"],
                trial=_whole(row, "trial", i, "vote"),
                contrast=row["contrast"],
                procedure=row["procedure"],
                excerpt=row["excerpt"],
                one=row["one"],
                two=row["two"],
                three=row["three"] or None,
                answer=row["answer"],
                correct=_flag(row, "correct", i, "vote") if row["correct"].strip() else None,
                plays=_whole(row, "plays", i, "vote"),
                seconds=_whole(row, "seconds", i, "vote"),
                day=_whole(row, "day", i, "vote"),
                four=row.get("four") or None,
            )
        )
    return votes


def read_listeners_csv(text: str) -> list[ListenerRow]:
    """Listeners from the text of listeners.csv; raises BadInput naming line and column."""
    needed = tuple(c for c in LISTENER_COLUMNS if c not in ADDED_LISTENER_COLUMNS)
    return [
        ListenerRow(
            listener=row["listener"],
            finished=_flag(row, "finished", i, "listener"),
            headphone_check=row["headphone_check"],
            playback=row["playback"],
            sample_rate=(
                _whole(row, "sample_rate", i, "listener") if row["sample_rate"].strip() else None
            ),
            votes=_whole(row, "votes", i, "listener"),
            withdrew=row.get("withdrew", "").strip(),
            votes_removed=(
                _whole(row, "votes_removed", i, "listener") if "votes_removed" in row else 0
            ),
        )
        for i, row in enumerate(_rows(text, needed, "listener"), start=2)
    ]


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "1" if value else "0"
    return str(value)


def _write(columns: tuple[str, ...], rows: Iterable[object]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(getattr(row, c)) for c in columns] for row in rows)
    return out.getvalue()


def write_csv(votes: Iterable[Vote]) -> str:
    """votes.csv, UTF-8 text with a header line, rows in the order given."""
    return _write(VOTE_COLUMNS, votes)


def write_listeners_csv(listeners: Iterable[ListenerRow]) -> str:
    """listeners.csv, UTF-8 text with a header line, rows in the order given."""
    return _write(LISTENER_COLUMNS, listeners)
