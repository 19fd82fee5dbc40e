"""Who runs studies: organisers, their passwords and their one-time sign-in links.

Passwords are hashed by argon2id with the library's defaults. A wrong password and an unknown
address give the same sentence after about the same time; repeated failures are slowed down.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from email_validator import EmailNotValidError, validate_email
from sqlalchemy import delete, func
from sqlmodel import select

from panel.errors import BadInput, Conflict, Gone, NotAllowed, NotFound, NotSignedIn
from panel.store.row_id import row_id
from panel.store.sealing import code_hash, new_code
from panel.store.session import Store, write_first
from panel.store.tables import Organiser, SignIn, SignInFailure

LINK_LIFE = timedelta(hours=24)
SHORTEST_PASSWORD = 10
LONGEST_PASSWORD = 1000  # hashing something endless would be a way to stop the server
FREE_FAILURES = 5
FAILURES_FORGOTTEN_AFTER = timedelta(hours=1)
LONGEST_WAIT = 900

_hasher = PasswordHasher()
# What is verified when the address is unknown, so that both cases cost one hash.
_nobody = _hasher.hash(new_code())


@dataclass(frozen=True)
class OrganiserView:
    id: int
    address: str
    name: str
    has_password: bool
    signed_out_before: datetime | None


def add_organiser(store: Store, address: str, name: str = "", password: str | None = None) -> int:
    """Make an organiser and return their id.

    Raises BadInput for a malformed address or a short password, Conflict for a known address.
    """
    address = _address(address)
    hashed = _hashed(password) if password is not None else None
    with store.session() as s:
        write_first(s)
        if s.exec(select(Organiser).where(Organiser.address == address)).first():
            raise Conflict(
                f"{address} is an organiser already.",
                hint="Make them a new sign-in link instead.",
            )
        organiser = Organiser(
            address=address,
            name=" ".join(name.split())[:200],
            password_hash=hashed,
            created_at=store.now(),
        )
        s.add(organiser)
        s.commit()
        return row_id(organiser)


def organiser(store: Store, organiser_id: int) -> OrganiserView:
    with store.session() as s:
        found = s.get(Organiser, organiser_id)
    if found is None:
        raise NotSignedIn("You are not signed in.", hint="Sign in, then try again.")
    return _view(found)


def by_address(store: Store, address: str) -> OrganiserView:
    """The organiser with that address. Raises NotFound."""
    plain = _address(address)
    with store.session() as s:
        found = s.exec(select(Organiser).where(Organiser.address == plain)).first()
    if found is None:
        raise NotFound(
            f"Nobody here has the address {plain}.",
            hint="Add them first: fairhearing organiser add.",
        )
    return _view(found)


def check_password(store: Store, address: str, password: str) -> int:
    """The id of the organiser with that address and password.

    Raises NotAllowed, in the same words for an unknown address and a wrong password, and with a
    waiting time after some failures for the same address.
    """
    plain = address.strip().casefold()[:320]
    who = code_hash(plain)
    now = store.now()
    with store.session() as s:
        failures, last = s.exec(
            select(func.count(SignInFailure.id), func.max(SignInFailure.at)).where(  # type: ignore[arg-type]
                SignInFailure.address_hash == who,
                SignInFailure.at > now - FAILURES_FORGOTTEN_AFTER,
            )
        ).one()
        found = s.exec(select(Organiser).where(Organiser.address == plain)).first()
    if failures >= FREE_FAILURES:
        wait = min(LONGEST_WAIT, 2 ** (failures - FREE_FAILURES + 2))
        if now < last + timedelta(seconds=wait):
            raise NotAllowed(
                "There were too many failed attempts for this address.",
                hint=f"Wait {_waiting(wait)}, or use a one-time sign-in link "
                "(fairhearing organiser link).",
            )
    kept = found.password_hash if found and found.password_hash else _nobody
    if _matches(kept, password[:LONGEST_PASSWORD]) and found and found.password_hash:
        _succeeded(store, who, found, password)
        return row_id(found)
    with store.session() as s:
        write_first(s)
        s.add(SignInFailure(address_hash=who, at=now))
        s.exec(
            delete(SignInFailure).where(SignInFailure.at < now - FAILURES_FORGOTTEN_AFTER)  # type: ignore[arg-type]
        )
        s.commit()
    raise NotAllowed(
        "This address and password do not go together.",
        hint="Check both and try again, or use a one-time sign-in link.",
    )


def set_password(store: Store, organiser_id: int, password: str) -> None:
    """Choose a password; every session that is open elsewhere ends."""
    hashed = _hashed(password)
    with store.session() as s:
        write_first(s)
        found = s.get(Organiser, organiser_id)
        if found is None:
            raise NotFound("There is no such organiser.")
        found.password_hash = hashed
        found.signed_out_before = store.now()
        s.add(found)
        s.commit()


def one_time_code(store: Store, address: str) -> str:
    """A fresh code for a one-time sign-in link; only its hash is kept."""
    who = by_address(store, address)
    code = new_code()
    with store.session() as s:
        s.add(
            SignIn(
                organiser_id=who.id, code_hash=code_hash(code), expires_at=store.now() + LINK_LIFE
            )
        )
        s.commit()
    return code


def enter(store: Store, code: str) -> int:
    """Use up a one-time code and return the organiser's id. Raises NotFound, Gone."""
    with store.session() as s:
        write_first(s)
        found = _usable(s.exec(select(SignIn).where(SignIn.code_hash == code_hash(code))).first())
        if store.now() > found.expires_at:
            raise _expired()
        found.used_at = store.now()
        s.add(found)
        s.commit()
        return found.organiser_id


def check_code(store: Store, code: str) -> None:
    """Raise what `enter` would raise, without using the code up."""
    with store.session() as s:
        found = _usable(s.exec(select(SignIn).where(SignIn.code_hash == code_hash(code))).first())
    if store.now() > found.expires_at:
        raise _expired()


def sign_out(store: Store, organiser_id: int) -> None:
    """End every session of the organiser, on this device and on others."""
    with store.session() as s:
        write_first(s)
        found = s.get(Organiser, organiser_id)
        if found is not None:
            found.signed_out_before = store.now()
            s.add(found)
            s.commit()


def _usable(found: SignIn | None) -> SignIn:
    if found is None:
        raise NotFound("This sign-in link is not known here.", hint="Check it for missing letters.")
    if found.used_at is not None:
        raise Gone(
            "This sign-in link has been used already.",
            hint="Sign in with your password, or have a new link made.",
        )
    return found


def _expired() -> Gone:
    return Gone("This sign-in link has expired.", hint="Have a new one made: it lasts a day.")


def _view(found: Organiser) -> OrganiserView:
    return OrganiserView(
        row_id(found), found.address, found.name, bool(found.password_hash), found.signed_out_before
    )


def _succeeded(store: Store, who: str, found: Organiser, password: str) -> None:
    """Forget the failures, and renew a hash that was made with weaker settings."""
    with store.session() as s:
        write_first(s)
        s.exec(delete(SignInFailure).where(SignInFailure.address_hash == who))  # type: ignore[arg-type]
        if found.password_hash and _hasher.check_needs_rehash(found.password_hash):
            found.password_hash = _hasher.hash(password)
            s.add(found)
        s.commit()


def _matches(kept: str, password: str) -> bool:
    try:
        return _hasher.verify(kept, password)
    except (VerificationError, InvalidHashError):
        return False


def _hashed(password: str) -> str:
    if len(password) < SHORTEST_PASSWORD:
        raise BadInput(
            f"The password is too short: it needs {SHORTEST_PASSWORD} characters or more.",
            hint="Four or five plain words in a row do well.",
        )
    if len(password) > LONGEST_PASSWORD:
        raise BadInput(f"The password is longer than {LONGEST_PASSWORD} characters.")
    return _hasher.hash(password)


def _address(address: str) -> str:
    """The address in the form it is kept in. Raises BadInput."""
    address = address.strip()
    try:
        return validate_email(
            address, check_deliverability=False, test_environment=True
        ).normalized.casefold()
    except EmailNotValidError as error:
        shown = " ".join(address.split())[:80]
        raise BadInput(
            f"“{shown}” is not a mail address.", hint=str(error).rstrip(".") + "."
        ) from None


def _waiting(seconds: int) -> str:
    return f"{seconds} seconds" if seconds < 120 else f"{seconds // 60} minutes"
