"""A whole class guesses in the same moment, through the real server: none is lost, and none counts twice."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from tests.dashboard.phones import all_at_once, class_served

PHONES = 20


def test_twenty_phones_that_guess_at_once_are_all_on_the_wall(tmp_path: Path) -> None:
    with class_served(tmp_path / "bar") as server:
        phones = all_at_once(server, PHONES)
        wall = server.wall()
    assert [status for phone in phones for status, _ in phone.taken] == [200] * PHONES
    assert sorted(wall["guesses"]) == [-5.0 + n for n in range(PHONES)]


def test_a_guess_that_was_tapped_twice_counts_once(tmp_path: Path) -> None:
    with class_served(tmp_path / "bar") as server:
        phones = all_at_once(server, PHONES // 2, taps=2)
        wall = server.wall()
        server.act("show")
        late = phones[0].ask("/class/guess", {"name": "late", "value": 1.0})
    for phone in phones:
        assert Counter(status for status, _ in phone.taken) == {200: 1, 409: 1}
    assert sorted(wall["guesses"]) == [-5.0 + n for n in range(PHONES // 2)]
    assert late == 409
