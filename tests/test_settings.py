"""Settings come from the environment, are checked at start, and name what is wrong."""

import stat

import pytest

from panel.errors import BadInput
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


def test_given_secret_is_used_and_not_written(tmp_path):
    assert load(data=tmp_path, secret="s" * 40).secret == "s" * 40
    assert not (tmp_path / "secret").exists()
