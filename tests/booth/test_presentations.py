"""Addresses of sound: single-use, each listener's own, and bounded."""

import pytest

from panel.booth.presentations import Presentations
from panel.errors import Gone


def test_a_sample_is_handed_over_once_and_to_its_listener_only() -> None:
    table = Presentations()
    made = table.put("listener", [b"one", b"two"])
    for stranger in ("other listener", ""):
        with pytest.raises(Gone):
            table.fetch(stranger, made.tokens[0])
    assert table.fetch("listener", made.tokens[0]) == b"one"
    with pytest.raises(Gone):
        table.fetch("listener", made.tokens[0])
    assert table.fetch("listener", made.tokens[1]) == b"two"


def test_the_key_of_a_headphone_check_is_not_given_out_as_that_of_practice() -> None:
    table = Presentations()
    check = table.put("listener", [b"x"], secret=("antiphase", (0, 2, 1)))
    practice = table.put("listener", [b"y"], secret="one")
    with pytest.raises(Gone):
        table.settle("listener", check.id)
    with pytest.raises(Gone):
        table.settle("listener", practice.id, check=True)
    assert table.settle("listener", check.id, check=True) == ("antiphase", (0, 2, 1))
    assert table.settle("listener", practice.id) == "one"


def test_a_secret_is_settled_once_and_by_its_listener_only() -> None:
    table = Presentations()
    made = table.put("listener", [b"x"], secret=2)
    with pytest.raises(Gone):
        table.settle("other listener", made.id)
    assert table.settle("listener", made.id) == 2
    with pytest.raises(Gone):
        table.settle("listener", made.id)
    with pytest.raises(Gone):
        table.fetch("listener", made.tokens[0])


def test_addresses_are_all_different_and_alike_in_length() -> None:
    table = Presentations()
    tokens = [token for _ in range(50) for token in table.put("listener", [b"", b"", b""]).tokens]
    assert len(set(tokens)) == len(tokens)
    assert len({len(token) for token in tokens}) == 1


def test_memory_is_bounded_the_oldest_goes_first() -> None:
    table = Presentations(memory=100)
    made = [table.put(f"listener {n}", [bytes(40)]) for n in range(3)]
    with pytest.raises(Gone):
        table.fetch("listener 0", made[0].tokens[0])
    for n in (1, 2):
        assert len(table.fetch(f"listener {n}", made[n].tokens[0])) == 40


def test_one_listener_who_reloads_and_reloads_pushes_out_only_their_own() -> None:
    table = Presentations()
    patient = table.put("patient", [b"kept"])
    restless = [table.put("restless", [b"x"]) for _ in range(100)]
    assert table.fetch("patient", patient.tokens[0]) == b"kept"
    assert table.fetch("restless", restless[-1].tokens[0]) == b"x"
    with pytest.raises(Gone):
        table.fetch("restless", restless[0].tokens[0])


def test_what_nobody_fetches_is_forgotten() -> None:
    now = 0.0
    table = Presentations(life=10, clock=lambda: now)
    made = table.put("listener", [b"x"])
    now = 11.0
    table.put("another", [b"y"])
    with pytest.raises(Gone):
        table.fetch("listener", made.tokens[0])
