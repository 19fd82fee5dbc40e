"""Everything that can be set, from the environment or a file `.env`, checked at start.

Each setting is one line of name, default and help; the names in the environment carry the
prefix FAIRHEARING_.
"""

import os
import secrets
from pathlib import Path
from typing import Literal
from urllib.parse import quote

from pydantic import Field, ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict

from panel.audio.limits import LONGEST_TAKE_MINUTES
from panel.errors import BadInput, Conflict


class Settings(BaseSettings):
    model_config = SettingsConfigDict(env_prefix="FAIRHEARING_", env_file=".env", extra="ignore")

    data: Path = Field(Path(".fair-hearing"), description="folder for the database and the sound")
    database_url: str = Field("", description="database; SQLite in the data folder when empty")
    host: str = Field("127.0.0.1", description="address the server listens on")
    port: int = Field(8642, ge=0, le=65535, description="port the server listens on")
    public_url: str = Field("", description="address under which listeners reach the server")
    secret: str = Field("", description="signs sessions and seals links; made at first start")
    session_hours: int = Field(12, ge=1, description="hours until the desk asks to sign in again")
    upload_limit_mib: int = Field(2048, ge=1, description="largest take accepted, in MiB")
    take_limit_minutes: int = Field(
        90,
        ge=1,
        le=LONGEST_TAKE_MINUTES,
        description=f"longest take accepted, in minutes, at most {LONGEST_TAKE_MINUTES}",
    )
    prints_limit_mib: int = Field(
        512, ge=0, description="disk space for samples made ahead, in MiB; 0 makes none ahead"
    )
    smtp_host: str = Field("", description="mail server; mail stays in the outbox when empty")
    smtp_port: int = Field(587, ge=1, le=65535, description="port of the mail server")
    smtp_user: str = Field("", description="user name at the mail server")
    smtp_password: str = Field("", description="password at the mail server")
    smtp_security: Literal["starttls", "tls", "none"] = Field(
        "starttls", description="how the connection to the mail server is protected"
    )
    mail_from: str = Field("", description="sender's address of invitations")

    @property
    def database(self) -> str:
        return self.database_url or address_of(self.data / "panel.sqlite")

    @property
    def address(self) -> str:
        """The public address without a slash at its end."""
        return (self.public_url or f"http://{self.host}:{self.port}").rstrip("/")


def address_of(database: Path) -> str:
    """The address of the SQLite database in that file, whatever its folders are called."""
    return f"sqlite:///{quote(str(database.resolve()))}"


def load(**overrides: object) -> Settings:
    """Read the settings; `overrides` (from the command line) win over the environment.

    Raises BadInput naming the setting, its value and what was expected; Conflict for a data folder
    that cannot be made, or whose secret cannot be read.
    """
    given = {name: value for name, value in overrides.items() if value is not None}
    try:
        settings = Settings(**given)  # type: ignore[arg-type]
    except ValidationError as error:
        first = error.errors()[0]
        name = "FAIRHEARING_" + str(first["loc"][0]).upper()
        raise BadInput(
            f"The setting {name} cannot be {first['input']!r}: {first['msg'].lower()}.",
            hint="Correct it in the environment or in .env, then start again.",
        ) from None
    try:
        settings.data.mkdir(parents=True, exist_ok=True)
        if not settings.secret:
            secret = _kept_secret(settings.data / "secret")
            settings = settings.model_copy(update={"secret": secret})
    except OSError as error:
        raise Conflict(
            f"The data folder {settings.data} cannot be used: {error.strerror or error} "
            f"({error.filename}).",
            hint="Choose another with --data or FAIRHEARING_DATA; or give it, with all that is in "
            "it, to the user that runs this program (chown).",
        ) from None
    return settings


def _kept_secret(path: Path) -> str:
    """The secret kept in the data folder, made at the first start, readable by its owner only.

    It appears whole or not at all, and of several first starts at once all take the same one.
    """
    if not path.exists():
        part = path.with_name(f"{path.name}.{secrets.token_hex(4)}")
        handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            with os.fdopen(handle, "w") as out:
                out.write(secrets.token_hex(32))
                out.flush()
                os.fsync(out.fileno())
            try:
                os.link(part, path)
            except FileExistsError:
                pass  # another start was faster
            except OSError:  # a disk without such links
                part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    kept = path.read_text().strip()
    if not kept:
        raise Conflict(
            f"The file {path} is empty; it should hold the secret that opens listeners' links.",
            hint="Put it back from a backup; if no link has ever been sent, remove the file, and "
            "a new one is made.",
        )
    return kept
