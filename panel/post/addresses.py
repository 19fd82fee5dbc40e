"""Reads a pasted list of mail addresses: what is usable, what is there twice, what is refused."""

import re
from dataclasses import dataclass

from email_validator import EmailNotValidError, validate_email

from panel.errors import BadInput, TooLarge

MOST_ADDRESSES = 2000
MOST_CHARACTERS = 200_000

# Separators count only outside quotation marks and angle brackets; a line's end always counts,
# so that nothing pasted can carry a line break into a mail's header.
_PIECE = re.compile(r'(?:"(?:\\.|[^"\\])*"|<[^<>]*>|[^,;])+')
_INVISIBLE = re.compile(
    r"[\x00-\x08\x0e-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]"
)


@dataclass(frozen=True)
class Pasted:
    """`good`: each address once, in order. `repeated`: those that stood there again.
    `refused`: (what was pasted, why, as a sentence)."""

    good: tuple[str, ...]
    repeated: tuple[str, ...]
    refused: tuple[tuple[str, str], ...]


def read_pasted(pasted: str) -> Pasted:
    """Addresses separated by commas, semicolons or lines; `Name <address>` is understood.

    Names are dropped: they are not needed, so they are not kept. Nothing is looked up in the
    network. Raises BadInput if nothing was pasted, TooLarge for more than 2,000 addresses.
    """
    if len(pasted) > MOST_CHARACTERS:
        raise TooLarge(
            "That is more text than 2,000 addresses need.",
            hint="Paste only addresses, at most 2,000 at once.",
        )
    pieces = [
        piece
        for line in re.split(r"[\n\r\v\f\x1c-\x1e\x85\u2028\u2029]", pasted)
        for piece in _pieces(line)
    ]
    if not pieces:
        raise BadInput(
            "There is no address in what you pasted.",
            hint="Paste addresses separated by commas, semicolons or lines.",
        )
    if len(pieces) > MOST_ADDRESSES:
        raise TooLarge(
            f"That is {len(pieces)} addresses; at most 2,000 are taken at once.",
            hint="Paste them in several goes.",
        )
    good: dict[str, str] = {}
    repeated: list[str] = []
    refused: list[tuple[str, str]] = []
    for piece in pieces:
        try:
            address = read_address(piece)
        except BadInput as error:
            refused.append((_shown(piece), str(error)))
            continue
        if address.casefold() in good:
            repeated.append(address)
        else:
            good[address.casefold()] = address
    return Pasted(tuple(good.values()), tuple(repeated), tuple(refused))


def read_address(text: str) -> str:
    """One address, bare or as `Name <address>`. Raises BadInput with the reason."""
    if re.search(r"[\n\r]", text) or _INVISIBLE.search(text):
        raise BadInput(
            "It holds a line break or an invisible character.", hint="Type this address by hand."
        )
    bracketed = re.fullmatch(r"[^<>]*<([^<>]*)>", text.strip())
    bare = (bracketed.group(1) if bracketed else text).strip().removeprefix("mailto:")
    if "@" not in bare:
        raise BadInput("It is no mail address: there is no @ in it.")
    try:
        # No look-up in the network: a slow name server must not refuse a good address. Addresses
        # outside ASCII before the @ need a mail server that few have.
        found = validate_email(bare, check_deliverability=False, allow_smtputf8=False, strict=True)
    except EmailNotValidError as error:
        raise BadInput("It is no mail address: " + _sentence(str(error))) from None
    return found.ascii_email or found.normalized


def _pieces(line: str) -> list[str]:
    """The pieces of one line; `Last, First <address>` stays together."""
    pieces: list[str] = []
    held = ""
    for match in _PIECE.finditer(line.replace("\t", " ")):
        piece = match.group().strip()
        if not piece:
            continue
        ended = line[match.end() : match.end() + 1]
        if "@" not in piece and ended == ",":
            held = f"{held}{piece}, "
            continue
        if held and "<" not in piece:
            pieces += [part.strip() for part in held.split(",") if part.strip()]
            held = ""
        pieces.append(held + piece)
        held = ""
    pieces += [part.strip() for part in held.split(",") if part.strip()]
    return pieces


def _shown(piece: str) -> str:
    """What was pasted, safe and short enough to repeat on a page."""
    visible = _INVISIBLE.sub("�", piece)
    return visible if len(visible) <= 80 else visible[:77] + "…"


def _sentence(text: str) -> str:
    return text[:1].lower() + text[1:]
