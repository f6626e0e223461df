"""The journal: nothing on file is ever lost, whatever interrupts the writing of it."""

from __future__ import annotations

import resource
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.capture.devices.ports import PortSpec, UsbIdentity
from rig.capture.recording.journal import (
    Event,
    EventKind,
    Header,
    JournalFile,
    JournalTail,
    Line,
    decode,
    encode,
    read_journal,
)
from rig.errors import LogbookError, TableRefused

HEADER = Header(
    run="0c0ffee0-0000-4000-8000-000000000001",
    utc=datetime(2031, 4, 6, 15, tzinfo=UTC),
    mono_ns=5_000,
    ports=(PortSpec("/dev/ttyACM0", 9600, "wire", UsbIdentity(0x2341, 0x43, "A1", "1-2"), "probe"),),
    meta={"recipe": "quayside black", "ice_mass_g": 200.5},
)
RECORDS = (
    *(Line(6_000 + n, n % 2, b"$R,%d,%d,probe=%dC*0000" % (n, 10 * n, n)) for n in range(6)),
    Event(7_000, EventKind.WEIGH, None, {"what": "ice", "mass_g": 200.5}),
    Event(7_100, EventKind.LOST, 0, {"why": "unplugged “here”"}),
    Line(7_200, 1, bytes(range(0, 256, 7))),
)


def written(path: Path, *records: Line | Event | Header) -> Path:
    file = JournalFile(path)
    file.append(records)
    file.close()
    return path


@contextmanager
def file_size_limit(size: int) -> Iterator[Callable[[], None]]:
    """Let no file grow beyond a size, as a full disk would; the function given frees the room."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)

    def free() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)

    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield free
    finally:
        free()


@given(st.binary(max_size=300), st.integers(0, 2**63 - 1), st.integers(0, 9))
def test_every_line_comes_back_byte_for_byte(line: bytes, at_ns: int, port: int) -> None:
    record = Line(at_ns, port, line)
    text = encode(record)
    assert decode(text) == record
    assert text.count(b"\n") == 1
    assert text.endswith(b"\n")


def test_a_journal_reads_back_as_it_was_written(tmp_path: Path) -> None:
    journal = read_journal(written(tmp_path / "a.ndjson", HEADER, *RECORDS))
    assert journal.header == HEADER
    assert journal.records == RECORDS
    assert (journal.torn_bytes, journal.unreadable_lines) == (0, 0)


@pytest.mark.parametrize("tail", [b"", b"\0" * 64], ids=["cut", "cut and filled with NULs"])
def test_cut_at_any_byte_it_gives_all_whole_records_or_says_that_there_is_none(
    tmp_path: Path, tail: bytes
) -> None:
    data = written(tmp_path / "a.ndjson", HEADER, *RECORDS).read_bytes()
    cut = tmp_path / "cut.ndjson"
    for size in range(len(data)):
        cut.write_bytes(data[:size] + tail)
        whole = data[:size].count(b"\n")
        if whole == 0:
            with pytest.raises(TableRefused, match="no header"):
                read_journal(cut)
        else:
            assert read_journal(cut).records == RECORDS[: whole - 1]
            assert len(JournalTail(cut).poll()) == whole


def test_a_half_line_that_could_not_be_taken_back_costs_no_record(tmp_path: Path) -> None:
    path = tmp_path / "a.ndjson"
    half = encode(RECORDS[0])[:17]
    path.write_bytes(encode(HEADER) + half + b"".join(map(encode, RECORDS)))
    assert read_journal(path).records == RECORDS


def test_a_full_disk_leaves_whole_lines_and_loses_nothing_once_there_is_room(tmp_path: Path) -> None:
    path = tmp_path / "a.ndjson"
    lines = [Line(n, 0, b"$R,%d,0,probe=1C*0000" % n) for n in range(2000)]
    file = JournalFile(path)
    file.append([HEADER])
    file.flush()
    with file_size_limit(20_000) as free:
        for line in lines:
            file.append([line])
            file.flush()
            assert path.read_bytes().endswith(b"\n")
        assert file.trouble
        assert file.pending > 0
        assert file.written + file.pending == 1 + len(lines)
        free()
        file.flush()
    assert (file.trouble, file.pending, file.turned_away) == ("", 0, 0)
    file.close()
    journal = read_journal(path)
    assert journal.records == tuple(lines)
    assert (journal.torn_bytes, journal.unreadable_lines) == (0, 0)


def test_what_waits_for_a_full_disk_is_bounded_and_what_is_turned_away_is_counted(tmp_path: Path) -> None:
    line = Line(1, 0, b"x" * 50)
    room = 10 * len(encode(line))
    file = JournalFile(tmp_path / "a.ndjson", most_pending_bytes=room)
    with file_size_limit(0):
        for _ in range(25):
            file.append([line])
            file.flush()
    assert (file.pending, file.turned_away) == (10, 15)
    file.close()


def test_a_tail_sees_each_record_once_and_only_when_it_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "a.ndjson"
    data = encode(HEADER) + b"".join(map(encode, RECORDS))
    tail = JournalTail(path)
    assert tail.poll() == []
    seen = []
    with path.open("wb", buffering=0) as file:
        for n in range(0, len(data), 13):
            file.write(data[n : n + 13])
            seen += tail.poll()
    assert seen == [HEADER, *RECORDS]
    assert tail.header == HEADER
    assert tail.poll() == []


def test_a_journal_is_never_written_over(tmp_path: Path) -> None:
    written(tmp_path / "a.ndjson", HEADER)
    with pytest.raises(LogbookError, match="cannot be made"):
        JournalFile(tmp_path / "a.ndjson")


def test_a_journal_of_a_newer_program_is_refused_not_misread(tmp_path: Path) -> None:
    path = tmp_path / "a.ndjson"
    path.write_bytes(encode(HEADER).replace(b'"v":1', b'"v":2'))
    with pytest.raises(LogbookError, match="newer"):
        read_journal(path)


def test_seconds_since_the_start_run_on_the_scale_of_the_header() -> None:
    quick = Header(HEADER.run, HEADER.utc, 1_000_000_000, (), time_scale=20.0)
    assert quick.elapsed_s(1_500_000_000) == pytest.approx(10.0)
