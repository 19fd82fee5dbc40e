"""Files appear whole or not at all, under their hash, byte for byte."""

import hashlib
import os

import pytest

from panel.errors import NotFound, TooLarge
from panel.store.files import FileStore, original_key


def left_over(store: FileStore) -> list[str]:
    return [str(p.relative_to(store.root)) for p in store.root.rglob("*") if p.is_file()]


def test_original_is_kept_byte_for_byte_under_its_sha256(tmp_path):
    store = FileStore(tmp_path)
    content = os.urandom(100_000)
    key, name, size = store.keep_original([content[:1], content[1:70_000], content[70_000:]], 10**6)
    assert name == hashlib.sha256(content).hexdigest()  # oracle: hashlib over the whole
    assert (key, size) == (original_key(name), 100_000)
    assert store.read(key) == content
    assert left_over(store) == [key]


def test_upload_past_the_limit_is_refused_and_leaves_nothing(tmp_path):
    store = FileStore(tmp_path)
    with pytest.raises(TooLarge, match="1 MiB"):
        store.keep_original((bytes(2**18) for _ in range(5)), 2**20)
    assert left_over(store) == []


def test_upload_that_breaks_off_leaves_nothing(tmp_path):
    store = FileStore(tmp_path)

    def broken():
        yield b"first half"
        raise ConnectionError("the listener's train went into a tunnel")

    with pytest.raises(ConnectionError):
        store.keep_original(broken(), 2**20)
    assert left_over(store) == []


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_disk_failure_leaves_the_old_file_as_it_was(tmp_path, monkeypatch, step):
    store = FileStore(tmp_path)
    store.write("clip/one.npy", b"old")

    def fail(*_):
        raise OSError("disk full")

    if step == "fsync":
        monkeypatch.setattr(os, "fsync", fail)
    else:
        monkeypatch.setattr("pathlib.Path.replace", fail)
    with pytest.raises(OSError, match="disk full"):
        store.write("clip/one.npy", b"new")
    assert store.read("clip/one.npy") == b"old"


@pytest.mark.parametrize(
    "key", ["../secret", "clip/../../secret", "/etc/passwd", "clip", "clip/", "clip/a\0b", ""]
)
def test_key_that_is_not_ours_opens_nothing(tmp_path, key):
    (tmp_path.parent / "secret").write_text("x")
    with pytest.raises(NotFound):
        FileStore(tmp_path).read(key)
