"""A damaged file is read or refused; nothing else is raised, nothing hangs, and what is read is sound."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from rig.errors import TableRefused
from rig.importing.tables import Table, table_from_bytes

CORPUS = Path(__file__).parent / "corpus"
TEXTS = sorted(p for p in CORPUS.glob("*/*") if p.suffix not in (".xlsx", ".ods", ".json"))
WORKBOOKS = sorted(p for p in CORPUS.glob("*/*") if p.suffix in (".xlsx", ".ods"))
JUNK = (
    b"\0", b"\xff", b'"', b"'", b",", b";", b"\t", b"\n", b"\r", b" ", b"-", b"e99", b"1e400", b"9" * 50,
    b"NaN", b"inf", b"\xc3", b"[", b"{", b"<", b"%", b":", b"/", b"\x1a", b"\x85", b"00:00", b"-0",
    b"\xef\xbb\xbf",
)  # fmt: skip

Damage = Callable[[bytes, random.Random], bytes]


def cut(raw: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(raw) + 1)
    return raw[:at] + raw[at + rng.choice((1, 3, 30)) :]


def break_off(raw: bytes, rng: random.Random) -> bytes:
    return raw[: rng.randrange(len(raw) + 1)]


def insert(raw: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(raw) + 1)
    return raw[:at] + rng.choice(JUNK) + raw[at:]


def overwrite(raw: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(raw))
    return raw[:at] + bytes([rng.randrange(256)]) + raw[at + 1 :]


def swap(raw: bytes, rng: random.Random) -> bytes:
    a, b = sorted((rng.randrange(len(raw)), rng.randrange(len(raw))))
    return raw[:a] + raw[b : b + 1] + raw[a + 1 : b] + raw[a : a + 1] + raw[b + 1 :] if a < b else raw


def shuffle_lines(raw: bytes, rng: random.Random) -> bytes:
    lines = raw.split(b"\n")
    rng.shuffle(lines)
    return b"\n".join(lines)


def repeat_line(raw: bytes, rng: random.Random) -> bytes:
    lines = raw.split(b"\n")
    lines.insert(rng.randrange(len(lines) + 1), rng.choice(lines))
    return b"\n".join(lines)


DAMAGES: tuple[Damage, ...] = (cut, break_off, insert, overwrite, swap, shuffle_lines, repeat_line)


def damaged(raw: bytes, rng: random.Random) -> bytes:
    for _ in range(rng.choice((1, 1, 2, 5, 30))):
        raw = rng.choice(DAMAGES)(raw, rng) if raw else raw
    return raw


def assert_sound(table: Table) -> None:
    assert table.channels
    for channel in table.channels:
        assert len(channel.time_s) == len(channel.value) > 0
        assert np.isfinite(channel.value).all()
        assert np.isfinite(channel.time_s).all()
        assert channel.time_s[0] >= 0
        assert (np.diff(channel.time_s) > 0).all()
    assert str(table.report)
    assert table.settled.to_dict()


@pytest.mark.parametrize("block", range(10))
def test_a_damaged_text_is_read_or_refused(block: int) -> None:
    for seed in range(block * 40, block * 40 + 40):
        rng = random.Random(seed)
        path = rng.choice(TEXTS)
        raw = damaged(path.read_bytes(), rng)
        try:
            table = table_from_bytes(raw, path.name)
        except TableRefused as refusal:
            assert refusal.reason
        else:
            assert_sound(table)


@pytest.mark.parametrize("seed", range(24))
def test_a_damaged_spreadsheet_is_read_or_refused(seed: int) -> None:
    rng = random.Random(seed)
    path = rng.choice(WORKBOOKS)
    try:
        table = table_from_bytes(damaged(path.read_bytes(), rng), path.name)
    except TableRefused as refusal:
        assert refusal.reason
    else:
        assert_sound(table)


@pytest.mark.parametrize("length", range(0, 121, 3))
def test_a_file_cut_at_any_byte_is_read_or_refused(length: int) -> None:
    raw = (CORPUS / "open" / "scale_status_words.txt").read_bytes()[:length]
    try:
        table = table_from_bytes(raw, "cut.txt")
    except TableRefused as refusal:
        assert refusal.reason
    else:
        assert_sound(table)


@pytest.mark.parametrize("damage", [b"9", b"2", b"23"])
@pytest.mark.parametrize(
    "name", ["plain_comma.csv", "german_semicolon.csv", "iso_zulu.csv", "clock.csv", "long.csv"]
)
def test_one_damaged_time_costs_one_row_and_moves_no_other(name: str, damage: bytes) -> None:
    raw = (CORPUS / "open" / name).read_bytes()
    whole = table_from_bytes(raw, name).channels[0]
    lines = raw.split(b"\n")
    lines[12] = damage + lines[12][len(damage) - 1 :]
    channel = table_from_bytes(b"\n".join(lines), name).channels[0]
    at = np.searchsorted(whole.time_s, channel.time_s)
    assert np.array_equal(whole.time_s[at], channel.time_s)
    assert np.array_equal(whole.value[at], channel.value)
    assert len(channel.value) >= len(whole.value) - 1


@pytest.mark.parametrize(
    "raw",
    [
        b"1" * 300_000,
        b"1," * 200_000,
        b'"' * 100_001,
        b"-" * 100_000 + b"\n" + b"1,2\n2,3\n",
        b"a\n" * 50_000,
        b"1:" * 60_000,
        b"1 " * 60_000 + b"\n" + b"1 " * 60_000,
        (b"a" * 1990 + b":1\n") * 300,
        (b"a b" * 600 + b"=1 c=2\n") * 300,
        b"x: 1, " * 300 + b"\n" + b"y: 2, " * 300 + b"\n",
        (b"1h 2m 3s " * 12 + b"\n") * 200,
        b"Time (s)," + b"1," * 9000 + b"\nProbe," + b"2," * 9000 + b"\n",
        (b"'1';'2'\n" * 500).replace(b"'1'", b"'1", 1),
        b"<" * 50_000,
        b"[" * 50_000,
        b"\r\n" * 50_000 + b"1;2\n",
        bytes(range(256)) * 400,
        b"PK\x03\x04" + bytes(200),
    ],
    ids=lambda raw: repr(raw[:12]),
)
def test_hostile_bytes_are_refused(raw: bytes) -> None:
    with pytest.raises(TableRefused):
        table_from_bytes(raw, "hostile.csv")
