"""The cast that tries each address of the desk, and listeners who vote. All data invented."""

import re
import secrets
import uuid
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from small_study import SmallStudy, build
from sqlmodel import select
from starlette.testclient import TestClient

from panel.app import create_app
from panel.settings import Settings
from panel.stages import accounts
from panel.stages.listen import check_results, visit, votes_in
from panel.store.sealing import code_hash
from panel.store.session import Store
from panel.store.tables import Listener, Organiser, Plan, Study, Trial
from panel.study.plan_reading import read_plan

SECRET = "a secret for tests only"
CAST = ("organiser", "other_organiser", "listener", "other_listener", "stranger")


def settings_in(folder: Path, **more: Any) -> Settings:
    folder.mkdir(parents=True, exist_ok=True)
    return Settings(
        _env_file=None,  # type: ignore[call-arg]
        data=folder,
        secret=SECRET,
        public_url="https://panel.example.org",
        **more,
    )


@dataclass(frozen=True)
class Desk:
    """A running desk with one locked study, and everybody who may come to its door."""

    app: FastAPI
    settings: Settings
    store: Store
    study: SmallStudy
    clients: dict[str, TestClient]

    def __getitem__(self, who: str) -> TestClient:
        return self.clients[who]

    @property
    def organiser(self) -> TestClient:
        return self.clients["organiser"]

    def href(self, rest: str = "") -> str:
        return f"/desk/studies/{self.study.code}{rest}"

    def post(self, rest: str, who: str = "organiser", **fields: str) -> Any:
        """Send a form from the page of the listeners, with the token it carries."""
        client = self.clients[who]
        return client.post(
            self.href(rest), data={"csrf": token_of(client), **fields}, follow_redirects=False
        )


def token_of(client: TestClient) -> str:
    """The form token of somebody signed in; nonsense for anybody else."""
    page = client.get("/desk/studies").text
    found = re.search(r'name="csrf" value="([^"]+)"', page)
    return found.group(1) if found else "none"


def desk_in(folder: Path, *, stop: str | None = None, **more: Any) -> Desk:
    settings = settings_in(folder, **more.pop("settings", {}))
    app = create_app(settings)
    store: Store = app.state.store
    study = build(store, **more)
    if stop is not None:
        study = with_rule(store, study, stop={**study.plan["stop"], "kind": stop})
    with store.session() as s:
        owner = s.get_one(Organiser, s.get_one(Study, study.id).organiser_id).address
    accounts.add_organiser(store, "somebody-else@example.org", "Somebody Else")
    clients = {who: TestClient(app, base_url="https://panel.example.org") for who in CAST}
    sign_in(store, clients["organiser"], owner)
    sign_in(store, clients["other_organiser"], "somebody-else@example.org")
    for who, link in zip(("listener", "other_listener"), study.links, strict=False):
        clients[who].get(f"/listen/{link}")
    return Desk(app, settings, store, study, clients)


def sign_in(store: Store, client: TestClient, address: str) -> None:
    code = accounts.one_time_code(store, address)
    page = client.get(f"/desk/enter/{code}").text
    token = re.search(r'name="csrf" value="([^"]+)"', page)
    assert token is not None
    answer = client.post(f"/desk/enter/{code}", data={"csrf": token.group(1)})
    assert answer.status_code == 200, answer.text


def with_rule(store: Store, study: SmallStudy, **changes: Any) -> SmallStudy:
    """The same study under a plan with another rule, locked anew (before any vote)."""
    document = {**study.plan, **changes}
    with store.session() as s:
        row = s.exec(select(Plan).where(Plan.study_id == study.id)).one()
        plan = read_plan(document)
        row.canonical, row.sha256 = plan.canonical, plan.sha256
        s.add(row)
        s.commit()
    return replace(study, plan=document)


def fewer_wanted(store: Store, study: SmallStudy, listeners: int) -> SmallStudy:
    return with_rule(store, study, stop={**study.plan["stop"], "listeners": listeners})


Answering = Callable[[Trial], int]


def rightly(trial: Trial) -> int:
    """Always right; where nothing is right, the take that sorts last."""
    if trial.right is not None:
        return trial.right
    return trial.slots.index(max(trial.slots))


def wrongly(trial: Trial) -> int:
    return 0 if trial.right is None else (trial.right + 1) % 2


def vote(
    store: Store, link: str, answering: Answering = rightly, *, most: int | None = None
) -> int:
    """One listener consents, does the check and votes; returns how many votes were cast."""
    visit.consent(store, link)
    visit.declare_playback(store, link, "headphones", 48_000)
    check_results.record_check(store, link, "passed")
    cast = 0
    while most is None or cast < most:
        due = visit.next_trial(store, link)
        if due is None:
            break
        with store.session() as s:
            trial = s.exec(
                select(Trial)
                .join(Listener, Listener.id == Trial.listener_id)  # type: ignore[arg-type]
                .where(Listener.link_hash == code_hash(link), Trial.number == due.number)
            ).one()
        votes_in.vote(
            store, link, due.number, str(uuid.uuid4()), answering(trial), plays=3, seconds=17
        )
        cast += 1
    return cast


def guessing(trial: Trial) -> int:
    return secrets.randbelow(2)
