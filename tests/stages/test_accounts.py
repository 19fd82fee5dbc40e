"""Organisers: passwords, one-time links, and what slows down guessing."""

from datetime import timedelta

import pytest
from recordings import Made
from sqlmodel import select

from panel.errors import BadInput, Conflict, Gone, NotAllowed, NotFound, NotSignedIn
from panel.stages import accounts
from panel.store.session import Store
from panel.store.tables import Organiser, SignIn, SignInFailure

ADDRESS, PASSWORD = "maker@larkfield.example", "hide glue & zinc"


@pytest.fixture
def later(monkeypatch):
    """Let time pass for the store."""
    real = Store.now

    def pass_(by: timedelta) -> None:
        monkeypatch.setattr(Store, "now", lambda self: real(self) + by)

    return pass_


def test_right_password_opens(empty: Made):
    assert accounts.check_password(empty.store, ADDRESS.upper(), PASSWORD) == empty.organiser


def test_wrong_password_and_unknown_address_are_told_in_the_same_words(empty: Made):
    said = []
    for address in (ADDRESS, "nobody@larkfield.example"):
        with pytest.raises(NotAllowed) as refused:
            accounts.check_password(empty.store, address, "wrong")
        said.append((refused.value.message, refused.value.hint))
    assert said[0] == said[1]


def test_unknown_address_costs_a_hash_too(empty: Made, monkeypatch):
    """Otherwise the time of the answer would tell which addresses exist. Counted, not timed."""
    verified = []
    monkeypatch.setattr(accounts, "_matches", lambda kept, password: bool(verified.append(kept)))
    for address in (ADDRESS, "nobody@larkfield.example"):
        with pytest.raises(NotAllowed):
            accounts.check_password(empty.store, address, "wrong")
    assert len(verified) == 2
    assert all(kept.startswith("$argon2id$") for kept in verified)


def test_password_is_kept_as_argon2id_only(empty: Made):
    with empty.store.session() as s:
        kept = s.exec(select(Organiser)).one().password_hash
    assert kept is not None
    assert kept.startswith("$argon2id$")
    assert PASSWORD not in kept


def test_guessing_is_slowed_down_even_for_the_right_password(empty: Made, later):
    for _ in range(accounts.FREE_FAILURES):
        with pytest.raises(NotAllowed, match="do not go together"):
            accounts.check_password(empty.store, ADDRESS, "wrong")
    with pytest.raises(NotAllowed, match="too many"):
        accounts.check_password(empty.store, ADDRESS, PASSWORD)
    later(timedelta(seconds=accounts.LONGEST_WAIT + 1))
    assert accounts.check_password(empty.store, ADDRESS, PASSWORD) == empty.organiser
    with empty.store.session() as s:
        assert s.exec(select(SignInFailure)).all() == []  # forgotten after success


def test_failures_of_one_address_do_not_hinder_another(empty: Made):
    other = accounts.add_organiser(empty.store, "other@larkfield.example", password=PASSWORD)
    for _ in range(accounts.FREE_FAILURES + 1):
        with pytest.raises(NotAllowed):
            accounts.check_password(empty.store, ADDRESS, "wrong")
    assert accounts.check_password(empty.store, "other@larkfield.example", PASSWORD) == other


def test_one_time_code_opens_once(empty: Made):
    code = accounts.one_time_code(empty.store, ADDRESS)
    accounts.check_code(empty.store, code)  # looking does not use it up
    assert accounts.enter(empty.store, code) == empty.organiser
    for again in (accounts.enter, accounts.check_code):
        with pytest.raises(Gone, match="used already"):
            again(empty.store, code)


def test_one_time_code_expires(empty: Made, later):
    code = accounts.one_time_code(empty.store, ADDRESS)
    later(accounts.LINK_LIFE + timedelta(seconds=1))
    for use in (accounts.enter, accounts.check_code):
        with pytest.raises(Gone, match="expired"):
            use(empty.store, code)


def test_code_is_stored_as_a_hash_only(empty: Made):
    code = accounts.one_time_code(empty.store, ADDRESS)
    with empty.store.session() as s:
        kept = s.exec(select(SignIn)).one()
    assert code not in repr(kept.model_dump())


def test_unknown_code_is_not_found(empty: Made):
    with pytest.raises(NotFound):
        accounts.enter(empty.store, "no such code")


@pytest.mark.parametrize(
    "address",
    ["", "no address", "a@b", "a\n@larkfield.example", "a@larkfield.example\nBcc: x@y.example"],
)
def test_address_that_is_none_is_refused(empty: Made, address: str):
    with pytest.raises(BadInput):
        accounts.add_organiser(empty.store, address)


def test_address_is_an_organiser_once_whatever_its_case(empty: Made):
    with pytest.raises(Conflict):
        accounts.add_organiser(empty.store, "Maker@Larkfield.example")


@pytest.mark.parametrize("password", ["", "short", "x" * 1001])
def test_poor_password_is_refused_and_the_old_one_stays(empty: Made, password: str):
    with pytest.raises(BadInput):
        accounts.set_password(empty.store, empty.organiser, password)
    assert accounts.check_password(empty.store, ADDRESS, PASSWORD) == empty.organiser


def test_new_password_replaces_the_old(empty: Made):
    accounts.set_password(empty.store, empty.organiser, "four plain words here")
    assert accounts.check_password(empty.store, ADDRESS, "four plain words here") == empty.organiser
    with pytest.raises(NotAllowed):
        accounts.check_password(empty.store, ADDRESS, PASSWORD)


def test_organiser_without_a_password_cannot_sign_in_by_one(empty: Made):
    accounts.add_organiser(empty.store, "new@larkfield.example")
    with pytest.raises(NotAllowed):
        accounts.check_password(empty.store, "new@larkfield.example", "")


def test_nobody_is_no_organiser(empty: Made):
    with pytest.raises(NotSignedIn):
        accounts.organiser(empty.store, 999)
