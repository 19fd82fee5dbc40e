"""Everybody who may come to the desk's door, and the forms they send."""

import re
from dataclasses import dataclass
from typing import Any

from recordings import Made
from starlette.testclient import TestClient

from panel.app import create_app
from panel.stages import accounts

ADDRESS = "https://panel.larkfield.example"


@dataclass(frozen=True)
class Door:
    """A desk with one study; `who["organiser"]` is signed in and owns it."""

    made: Made
    who: dict[str, TestClient]

    def __getitem__(self, name: str) -> TestClient:
        return self.who[name]

    @property
    def organiser(self) -> TestClient:
        return self.who["organiser"]

    def get(self, rest: str = "", who: str = "organiser") -> Any:
        return self.who[who].get(self.made.href + rest)

    def post(self, rest: str, who: str = "organiser", **fields: Any) -> Any:
        data = {"csrf": token(self.who[who]), **fields}
        return self.who[who].post(self.made.href + rest, data=data)

    def upload(self, *files: tuple[str, bytes], json: bool = False, **headers: str) -> Any:
        if json:
            headers = {"Accept": "application/json", "X-CSRF": token(self.organiser), **headers}
            data = {}
        else:
            data = {"csrf": token(self.organiser)}
        return self.organiser.post(
            self.made.href + "/takes",
            data=data,
            files=[("files", (name, content)) for name, content in files],
            headers=headers,
        )


def token(client: TestClient) -> str:
    """The form token on a page the client may see; nonsense for a stranger."""
    found = re.search(r'name="csrf" value="(\w+)"', client.get("/desk/studies").text)
    return found.group(1) if found else "0" * 64


def door(made: Made) -> Door:
    app = create_app(made.settings)
    store = app.state.store
    accounts.add_organiser(store, "other@larkfield.example")
    who = {
        "organiser": enter(app, "maker@larkfield.example"),
        "other_organiser": enter(app, "other@larkfield.example"),
        "stranger": TestClient(app, base_url=ADDRESS, follow_redirects=False),
    }
    return Door(made, who)


def enter(app: Any, address: str) -> TestClient:
    """A client with the session of the organiser who has this address."""
    client = TestClient(app, base_url=ADDRESS, follow_redirects=False)
    code = accounts.one_time_code(app.state.store, address)
    page = client.get(f"/desk/enter/{code}")
    sent = re.search(r'name="csrf" value="(\w+)"', page.text)
    assert sent
    entered = client.post(f"/desk/enter/{code}", data={"csrf": sent.group(1)})
    assert entered.status_code == 303
    return client
