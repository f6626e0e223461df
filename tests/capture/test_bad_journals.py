"""A journal that cannot be used is named and stops nothing else: not the next recording, not those beside it."""

from __future__ import annotations

import json
import os
import random
from pathlib import Path

import pytest

from rig.capture.decoding import wire
from rig.capture.decoding.dialects import load
from rig.capture.recording.journal import (
    Event,
    EventKind,
    JournalFile,
    JournalTail,
    Line,
    decode,
    encode,
    read_journal,
)
from rig.capture.recording.process import interrupted_runs
from rig.capture.recording.recorder_files import Files
from rig.capture.to_run.intake import take_in
from rig.errors import RigError
from rig.logbook.store import open_logbook
from tests.capture.test_journal import HEADER

NS = 10**9
DEEP = b'{"t":' + b"[" * 200_000
ODD_LINES = (
    b'{"t":1e999,"p":0,"l":"x"}',
    b'{"t":1,"p":1e999,"l":"x"}',
    b'{"t":1,"p":-1,"l":"x"}',
    b'{"t":' + b"9" * 40 + b',"p":0,"l":"x"}',
    b'{"t":1,"e":"start","d":5}',
    b'{"t":1,"e":"start","p":"one"}',
    b'{"t":NaN,"e":"stop"}',
    b'{"v":1,"run":"x","utc":"2031-04-06","mono_ns":1,"ports":["p"],"meta":{},"time_scale":1}',
    b'{"v":1,"run":"x","utc":"2031-04-06","mono_ns":1,"ports":[],"meta":5,"time_scale":1}',
    b'{"v":1,"run":"x","utc":"2031-04-06","mono_ns":1,"ports":[],"meta":{},"time_scale":1e999}',
    b'{"v":2,"run":"x"}',
    b"[]",
    b"5",
    b'"l"',
    DEEP,
    b'{"d":' * 100_000,
    b"\x00" * 1000,
)


def good(folder: Path, name: str) -> Files:
    """A journal with a drink in it."""
    files = Files(folder, name)
    files.make_folders()
    lines = [
        Line(int(k * 0.1 * NS), 0, wire.encode(k, 100 * k, [("probe", 20.0 - 0.1 * k, "C")]).rstrip())
        for k in range(200)
    ]
    events = [Event(2 * NS, EventKind.START), Event(12 * NS, EventKind.STOP)]
    file = JournalFile(files.journal)
    file.append([HEADER.__class__(**{**vars(HEADER), "run": name, "meta": META}), *lines, *events])
    file.close()
    return files


META = {
    "bench_name": "bar",
    "run": {"run": "r", "technique": "shake", "vessel": "tin", "ice": "cube", "recipe": "x"},
}


@pytest.mark.parametrize("line", ODD_LINES, ids=range(len(ODD_LINES)))
def test_no_line_whatever_it_holds_raises(line: bytes) -> None:
    assert decode(line) is None


@pytest.mark.parametrize("line", ODD_LINES, ids=range(len(ODD_LINES)))
def test_a_line_that_is_no_record_costs_itself_only(tmp_path: Path, line: bytes) -> None:
    files = good(tmp_path, "a")
    with files.journal.open("ab") as file:
        file.write(line + b"\n" + encode(Event(13 * NS, EventKind.MARK, None, {"text": "after"})))
    journal = read_journal(files.journal)
    assert journal.unreadable_lines == 1
    assert [e.detail for e in journal.events(EventKind.MARK)] == [{"text": "after"}]
    assert sum(isinstance(r, Line) for r in JournalTail(files.journal).poll()) == 200


def spoil(files: Files, how: str) -> None:
    files.make_folders()
    match how:
        case "newer":
            files.journal.write_text('{"v":2,"run":"x"}\n')
        case "infinite":
            files.journal.write_text('{"v":1e999}\n')
        case "deep":
            files.journal.write_bytes(DEEP + b"\n")
        case "folder":
            files.journal.mkdir()
        case "pipe":
            os.mkfifo(files.journal)
        case _:
            files.journal.write_bytes(b"")


@pytest.mark.parametrize("how", ["newer", "infinite", "deep", "folder", "pipe", "empty"])
def test_a_bad_journal_is_named_and_those_beside_it_are_brought_in(tmp_path: Path, how: str) -> None:
    spoil(Files(tmp_path, "bad"), how)
    good(tmp_path, "fine")
    found = {i.files.run: i for i in interrupted_runs(tmp_path)}
    assert set(found) == {"bad", "fine"}
    assert str(found["bad"].files.journal) in found["bad"].in_words
    assert found["fine"].lines == 200 and not found["fine"].trouble
    with open_logbook(None) as logbook:
        with pytest.raises(RigError, match=r"bad\.ndjson"):
            take_in(found["bad"].files, logbook, load(()))
        assert take_in(found["fine"].files, logbook, load(())).run.duration_s == 10.0
    found["bad"].files.set_done()
    assert interrupted_runs(tmp_path) == ()


def test_a_journal_with_any_bytes_changed_is_a_run_or_is_refused_in_words(tmp_path: Path) -> None:
    whole = good(tmp_path, "a").journal.read_bytes()
    rng, decoders = random.Random(5), load(())
    head = whole.index(b"\n")
    refused = 0
    for n in range(240):
        content = bytearray(whole)
        for _ in range(rng.choice((1, 1, 3, 20))):
            at = rng.randrange(head) if n % 2 else rng.randrange(len(content))
            content[at] ^= 1 << rng.randrange(8)
        files = Files(tmp_path, f"flip{n}")
        files.journal.write_bytes(content)
        with open_logbook(None) as logbook:
            try:
                take_in(files, logbook, decoders)
            except RigError as error:
                assert files.journal.name in str(error)
                refused += 1
    assert 0 < refused < 240


@pytest.mark.parametrize(
    "meta",
    [
        {"run": 5},
        {"run": {"duration_s": "long", "recipe": 7}},
        {"run": {"run": None, "ice_mass_g": [1]}},
        {"bench": 5},
        {"bench": "= nonsense"},
        {"bench_name": ["bar"]},
        {"run": {"drink_mass_g": 1e999}},
        {"run": {"run": "", "technique": ""}},
    ],
)
def test_what_a_header_says_of_the_run_is_checked_before_it_is_believed(tmp_path: Path, meta: dict) -> None:
    files = good(tmp_path, "a")
    head, rest = files.journal.read_bytes().split(b"\n", 1)
    files.journal.write_bytes(json.dumps({**json.loads(head), "meta": meta}).encode() + b"\n" + rest)
    with open_logbook(None) as logbook:
        try:
            take_in(files, logbook, load(()))
        except RigError as error:
            assert files.journal.name in str(error)
