"""Settings come from the environment, are checked at start, and name what is wrong."""

import stat
from concurrent.futures import ThreadPoolExecutor

import pytest

from panel.errors import BadInput, Conflict
from panel.settings import load


def test_environment_is_read_and_command_line_wins(tmp_path, monkeypatch):
    monkeypatch.setenv("FAIRHEARING_DATA", str(tmp_path / "a"))
    monkeypatch.setenv("FAIRHEARING_PORT", "9001")
    assert load().port == 9001
    assert load(port=9002).port == 9002
    assert load(port=None).data == tmp_path / "a"


@pytest.mark.parametrize(
    ("name", "value"),
    [("PORT", "seventy"), ("PORT", "70000"), ("SMTP_SECURITY", "maybe"), ("SESSION_HOURS", "0")],
)
def test_wrong_setting_is_named_with_its_value(tmp_path, monkeypatch, name, value):
    monkeypatch.setenv("FAIRHEARING_DATA", str(tmp_path))
    monkeypatch.setenv(f"FAIRHEARING_{name}", value)
    with pytest.raises(BadInput, match=f"FAIRHEARING_{name} cannot be '{value}'"):
        load()


def test_secret_is_made_once_kept_and_readable_by_its_owner_only(tmp_path):
    first = load(data=tmp_path).secret
    assert len(first) == 64
    assert load(data=tmp_path).secret == first
    assert stat.S_IMODE((tmp_path / "secret").stat().st_mode) == 0o600


def test_of_several_first_starts_at_once_all_take_one_secret(tmp_path):
    with ThreadPoolExecutor(8) as starts:
        taken = set(starts.map(lambda _: load(data=tmp_path).secret, range(40)))
    assert taken == {(tmp_path / "secret").read_text()}
    assert [path.name for path in tmp_path.iterdir()] == ["secret"]


def test_an_empty_secret_is_refused_and_left(tmp_path):
    (tmp_path / "secret").touch()
    with pytest.raises(Conflict, match="is empty"):
        load(data=tmp_path)
    assert (tmp_path / "secret").read_bytes() == b""


def test_a_data_folder_that_cannot_be_made_is_said_plainly(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(Conflict, match="cannot be used") as refused:
        load(data=tmp_path / "file" / "data")
    assert "--data" in refused.value.hint


def test_given_secret_is_used_and_not_written(tmp_path):
    assert load(data=tmp_path, secret="s" * 40).secret == "s" * 40
    assert not (tmp_path / "secret").exists()
