"""The command `fairhearing`: each subcommand reads what it needs and calls one part.

Heavy imports stand inside the commands, so that `--help` answers at once. Errors made for people
go to stderr with exit code 2, never as a trace.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from panel.errors import BadInput, Conflict, PanelError
from panel.prose import listed

# Our products are narrow: threads of the linear algebra library cost more than they bring, and
# far more on a busy machine. Has to be said before NumPy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


class _Commands(TyperGroup):
    """Turns a PanelError of any subcommand into its sentence and exit code 2."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except PanelError as error:
            typer.echo(error.message, err=True)
            if error.hint:
                typer.echo(error.hint, err=True)
            raise typer.Exit(2) from None


app = typer.Typer(
    name="fairhearing",
    cls=_Commands,
    help="Fair Hearing: can anyone hear the one thing you changed?",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
organiser = typer.Typer(no_args_is_help=True, help="Who may run studies on this server.")
app.add_typer(organiser, name="organiser")

Data = Annotated[
    Path | None,
    typer.Option(help="Folder for database and sound (default: the setting FAIRHEARING_DATA)."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON and nothing else.")]


@app.command()
def serve(
    data: Data = None,
    host: Annotated[str | None, typer.Option(help="Address to listen on.")] = None,
    port: Annotated[int | None, typer.Option(help="Port to listen on.")] = None,
    trust_proxy: Annotated[
        str, typer.Option(help="Addresses of reverse proxies whose headers count, by commas.")
    ] = "127.0.0.1",
) -> None:
    """Run the server until it is stopped."""
    from panel.serving import listening_socket, run
    from panel.settings import load

    settings = load(data=data, host=host, port=port)
    socket = listening_socket(settings.host, settings.port)
    settings = settings.model_copy(update={"port": socket.getsockname()[1]})
    typer.echo(f"Listening on {settings.host}, port {settings.port}.")
    typer.echo(f"The desk: {settings.address}/desk")
    run(settings, socket, trusted_proxies=trust_proxy)


@app.command()
def demo(
    once: Annotated[
        bool, typer.Option("--once", help="Build, print a summary as JSON, and stop.")
    ] = False,
    data: Annotated[
        Path | None, typer.Option(help="Folder for the demo (default: .fair-hearing/demo).")
    ] = None,
    port: Annotated[int | None, typer.Option(help="Port; another is taken if it is busy.")] = None,
) -> None:
    """Build the demo study, if it is not there, and serve it on this machine."""
    from panel.demo import running

    place = running.place(data, port)
    built = running.ready(place)
    if once:
        typer.echo(json.dumps(running.summary(place, built)))
        return
    from panel.serving import listening_socket, run

    socket = listening_socket(place.settings.host, place.settings.port, or_another=port is None)
    place = place.on(socket.getsockname()[1])
    try:
        welcome = running.welcome(place, built)
    except BaseException:
        socket.close()
        raise
    typer.echo("\n".join(welcome))
    run(place.settings, socket, quiet=True)


@app.command()
def measure(
    a: Annotated[Path, typer.Argument(help="The recording to compare with.", metavar="A")],
    b: Annotated[Path, typer.Argument(help="The recording that is compared.", metavar="B")],
    as_json: AsJson = False,
    channels: Annotated[
        str,
        typer.Option(
            help="The one or two channels to compare, from 1, where a file has more.", metavar="L,R"
        ),
    ] = "",
) -> None:
    """Measure how recording B differs from recording A."""
    from panel.audio.measure import difference
    from panel.audio.reading import decode

    keep = _channels(channels)
    first, second = (decode.read(_file(path), channels=keep) for path in (a, b))
    measured = difference.measure(first, second)
    if as_json:
        typer.echo(json.dumps(measured.to_json(), allow_nan=False))
        return
    found = measured.to_json()
    typer.echo(f"B against A: {b.name} against {a.name}")
    typer.echo(f"  later by      {_number(found['delay_samples'], 3)} samples")
    typer.echo(f"  level         {_number(found['gain_db'], 2, sign=True)} dB")
    typer.echo(f"  clock         {_number(found['drift_ppm'], 2, sign=True)} ppm")
    typer.echo(f"  polarity      {'inverted' if found['inverted'] else 'the same'}")
    typer.echo(f"  channels      {'exchanged' if measured.swapped else 'the same'}")
    if found["same_performance"]:
        left = f"{_number(found['residual_db'], 1)} dB, relative to the signal"
    else:
        left = "not known: they are not the same performance, so nothing can be subtracted"
    typer.echo(f"  what is left  {left}")
    levels = listed(_number(level, 2) for level in found["loudness_lufs"])
    typer.echo(f"  loudness      {levels} LUFS")
    typer.echo(f"  low cut in B  {_hz(found['corner_hz'])}")
    shelf = found["shelf"]
    shelved = f"{_number(shelf['gain_db'], 2, sign=True)} dB above " if shelf else ""
    typer.echo(f"  shelf in B    {shelved}{_hz(shelf and shelf['hz'])}")
    typer.echo("  third octaves, B over A after level and delay are removed:")
    for band in found["third_octave"]:
        typer.echo(f"  {band['hz']:>9g} Hz  {_number(band['difference_db'], 2, sign=True):>7} dB")
    for warning in measured.warnings:
        typer.echo(f"Note: {getattr(warning, 'sentence', warning)}")
    typer.echo("A measured difference is not an audible one: only votes say that.")


@app.command()
def leader(
    out: Annotated[Path, typer.Argument(help="The WAV file to write.", metavar="OUT.wav")],
    rate: Annotated[
        int | None,
        typer.Option(help="Sample rate in Hz (default: that of the music, or 48000)."),
    ] = None,
    append: Annotated[
        Path | None,
        typer.Option(help="Recording to put after it: the music you play in each time."),
    ] = None,
    length: Annotated[
        str,
        typer.Option(help="short, usual or long: the longer, the less noise in what is measured."),
    ] = "usual",
) -> None:
    """Make the lead-in signal to play into the equipment before the music."""
    from panel.audio.leader import file

    music = None if append is None else _file(append)
    for line in file.write(out, rate, music, length):
        typer.echo(line)


@app.command()
def verdict(
    export: Annotated[Path, typer.Argument(help="The zip that a study exported.")],
    as_json: AsJson = False,
) -> None:
    """Recompute the verdict of an export, offline; exit code 1 if it is not the stored one."""
    from panel.report.archive.export import recompute
    from panel.report.pooled import recomputed_lines

    found = recompute(_file(export))
    if as_json:
        typer.echo(json.dumps(found.verdict.document(), ensure_ascii=False, allow_nan=False))
    else:
        typer.echo("\n".join(recomputed_lines(found.plan, found.verdict)))
    if found.identical:
        typer.echo("Recomputed from the votes and the plan: identical to the stored one.", err=True)
        return
    typer.echo(
        "Recomputed from the votes and the plan: NOT identical to the stored verdict. The archive "
        "was changed, or was written by another version of Fair Hearing.",
        err=True,
    )
    raise typer.Exit(1)


@app.command()
def pool(
    table: Annotated[Path, typer.Argument(help="A table of votes, as votes.csv of an export.")],
    plan: Annotated[
        Path | None, typer.Option(help="The plan of the votes; without it there is no verdict.")
    ] = None,
    listeners: Annotated[
        Path | None, typer.Option(help="The listeners.csv of the same export, with the plan.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say what a table of votes says, from as many listeners as it has."""
    from panel.report.pooled import pooled

    found = pooled(table, plan, listeners)
    if as_json:
        typer.echo(json.dumps(found.document, ensure_ascii=False, allow_nan=False))
    else:
        typer.echo("\n".join(found.lines))


@organiser.command("add")
def organiser_add(
    address: Annotated[str, typer.Argument(help="Mail address to sign in with.")],
    name: Annotated[str, typer.Option(help="Name shown to listeners.")] = "",
    password: Annotated[
        bool, typer.Option("--password", help="Ask for a password instead of making a link.")
    ] = False,
    data: Data = None,
) -> None:
    """Add somebody who may run studies; prints a one-time sign-in link, valid for a day."""
    from panel.settings import load
    from panel.stages import accounts
    from panel.store.opening import open_store

    settings = load(data=data)
    store = open_store(settings)
    chosen = _asked_password() if password else None
    accounts.add_organiser(store, address, name, chosen)
    typer.echo(f"{address} may now run studies.")
    if chosen is None:
        _print_link(settings.address, accounts.one_time_code(store, address))
    else:
        typer.echo(f"Sign in at {settings.address}/desk")


@organiser.command("link")
def organiser_link(
    address: Annotated[str, typer.Argument(help="Mail address of the organiser.")],
    data: Data = None,
) -> None:
    """Print a fresh one-time sign-in link for an organiser, valid for a day."""
    from panel.settings import load
    from panel.stages import accounts
    from panel.store.opening import open_store

    settings = load(data=data)
    _print_link(settings.address, accounts.one_time_code(open_store(settings), address))


@app.command()
def backup(
    archive: Annotated[Path, typer.Argument(help="The tar file to write.", metavar="FILE.tar")],
    data: Data = None,
) -> None:
    """Copy database, sound and secret into one file; the server may go on running."""
    from panel.backup import back_up
    from panel.settings import load

    settings = load(data=data)
    kept = back_up(settings, archive)
    typer.echo(f"{kept.files} files, {kept.bytes / 2**20:.1f} MiB, in {archive}.")
    if (settings.data / "secret").exists():
        typer.echo("It holds what opens listeners' links: keep it where only you can read it.")
    else:
        typer.echo("FAIRHEARING_SECRET is not in it: keep that too, the links need it.")


@app.command()
def restore(
    archive: Annotated[Path, typer.Argument(help="A file that backup wrote.", metavar="FILE.tar")],
    data: Annotated[Path, typer.Option(help="Folder to make; it must not hold anything yet.")],
) -> None:
    """Unpack a backup into a new data folder, every file checked."""
    from panel.backup import restore as unpack

    kept = unpack(_file(archive), data)
    typer.echo(f"{kept.files} files, {kept.bytes / 2**20:.1f} MiB, all as they were, in {data}.")
    typer.echo(f"Serve them with: fairhearing serve --data {data}")


@app.command()
def doctor(data: Data = None) -> None:
    """Say what works here, what is missing, and how to get it; exit code 1 if anything is."""
    from panel.doctor import examine

    findings = examine(data)
    for finding in findings:
        typer.echo(f"{'ok      ' if finding.well else 'MISSING '} {finding.what}: {finding.found}")
        if finding.advice:
            typer.echo(f"         {finding.advice}")
    if not all(finding.well for finding in findings):
        raise typer.Exit(1)


def _print_link(address: str, code: str) -> None:
    typer.echo("One-time sign-in link, valid for a day:")
    typer.echo(f"{address}/desk/enter/{code}")


def _asked_password() -> str:
    first = str(typer.prompt("Password", hide_input=True))
    if first != typer.prompt("The same again", hide_input=True):
        raise BadInput("The two passwords are not the same.", hint="Run the command again.")
    return first


def _file(path: Path) -> Path:
    if path.is_dir():
        raise BadInput(f"{path} is a folder.", hint="Name a file in it.")
    if not path.exists():
        raise BadInput(f"There is no file {path}.", hint="Check the name and the folder.")
    try:
        path.open("rb").close()
    except OSError as error:
        raise Conflict(
            f"{path} cannot be read: {error.strerror}.", hint="Check its permissions."
        ) from None
    return path


def _hz(value: float | None) -> str:
    return "none found" if value is None else f"{value:.4g} Hz"


def _channels(text: str) -> list[int] | None:
    if not text:
        return None
    try:
        return [int(number) for number in text.split(",")]
    except ValueError:
        raise BadInput(
            f"“{text}” names no channels.", hint="Write one or two numbers, such as 3,4."
        ) from None


def _number(value: float | None, digits: int, *, sign: bool = False) -> str:
    """A number as people read it: a true minus, no "-0.0"; "unknown" where there is none."""
    if value is None:
        return "unknown"
    rounded = round(value, digits) + 0.0
    text = f"{rounded:{'+' if sign and rounded else ''}.{digits}f}"
    return text.replace("-", "−")
