"""The fetching of recordings: what was pinned or nothing, from the registry that is set."""

import base64
import hashlib
import importlib.util
import io
import tarfile
import threading
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parent.parent / "deploy" / "recordings.py"


def packed(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w:gz") as archive:
        for name, content in files.items():
            entry = tarfile.TarInfo(name)
            entry.size = len(content)
            archive.addfile(entry, io.BytesIO(content))
    return out.getvalue()


CONTENT = packed(
    {
        "package/a.wav": b"one",
        "package/deep/b.flac": b"two",
        "package/run.js": b"no sound",
        "package/../../out.wav": b"out of the folder",
    }
)


@pytest.fixture
def script(tmp_path, monkeypatch):
    spec = importlib.util.spec_from_file_location("fetching", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    digest = base64.b64encode(hashlib.sha512(CONTENT).digest()).decode()
    monkeypatch.setattr(module, "FOLDER", tmp_path / "data" / "recordings")
    monkeypatch.setattr(module, "PACKAGES", {"notes": ("1.0.0", digest)})
    return module


def kept(script) -> set[str]:
    return {str(p.relative_to(script.FOLDER)) for p in script.FOLDER.rglob("*") if p.is_file()}


class Quiet(SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        pass


def test_it_asks_the_registry_of_the_environment_once(script, tmp_path, monkeypatch):
    served = tmp_path / "registry" / "notes" / "-"
    served.mkdir(parents=True)
    (served / "notes-1.0.0.tgz").write_bytes(CONTENT)
    handler = partial(Quiet, directory=str(tmp_path / "registry"))
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        monkeypatch.setenv("npm_config_registry", f"http://127.0.0.1:{server.server_port}")
        assert script.main() == 0
        server.shutdown()
    assert kept(script) == {"notes/a.wav", "notes/deep/b.flac", "notes/integrity"}
    assert not list(tmp_path.rglob("out.wav"))
    monkeypatch.setattr(script, "download", None)  # a second run needs no network
    assert script.main() == 0


def test_other_bytes_than_those_pinned_are_refused_and_nothing_stays(script, monkeypatch, capsys):
    monkeypatch.setattr(script, "download", lambda url: packed({"package/a.wav": b"another"}))
    assert script.main() == 1
    assert "SHA-512" in capsys.readouterr().err
    assert not (script.FOLDER / "notes").exists()


def test_without_network_it_says_what_to_put_where(script, monkeypatch, capsys):
    def unreachable(url: str) -> bytes:
        raise OSError("no route")

    monkeypatch.setattr(script, "download", unreachable)
    assert script.main() == 1
    told = capsys.readouterr().err
    assert "notes-1.0.0.tgz" in told
    script.FOLDER.mkdir(parents=True, exist_ok=True)
    (script.FOLDER / "notes-1.0.0.tgz").write_bytes(CONTENT)
    assert script.main() == 0
    assert "notes/a.wav" in kept(script)
