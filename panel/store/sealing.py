"""Hashing and sealing of what opens something: links, sign-in codes, mail bodies."""

import hashlib
import hmac
import secrets
from dataclasses import dataclass

from cryptography.fernet import Fernet, InvalidToken

from panel.errors import Conflict


def new_code(bits: int = 160) -> str:
    """A fresh unguessable code, safe in an address."""
    return secrets.token_urlsafe(bits // 8)


def code_hash(code: str) -> str:
    """SHA-256 of a code. Codes carry 160 random bits, so no salt and no slow hash is needed."""
    return hashlib.sha256(code.encode()).hexdigest()


@dataclass(frozen=True)
class Sealer:
    """Encrypts with a key that lies in the settings, not in the database."""

    secret: str

    def seal(self, text: str) -> bytes:
        return self._fernet().encrypt(text.encode())

    def open(self, sealed: bytes) -> str:
        try:
            return self._fernet().decrypt(sealed).decode()
        except InvalidToken:
            raise Conflict(
                "A stored link cannot be opened with this server's secret.",
                hint="Set FAIRHEARING_SECRET to the secret this study was made with, "
                "or revoke the link and invite again.",
            ) from None

    def derive(self, purpose: str) -> str:
        """A key of its own for `purpose`, hexadecimal."""
        return hmac.new(self.secret.encode(), purpose.encode(), "sha256").hexdigest()

    def _fernet(self) -> Fernet:
        import base64

        digest = hmac.new(self.secret.encode(), b"sealing", "sha256").digest()
        return Fernet(base64.urlsafe_b64encode(digest))
