"""Splitting a byte stream into lines."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.capture.decoding.lines import LONGEST_LINE_BYTES, LineSplitter

STREAMS = st.lists(
    st.one_of(
        st.binary(max_size=20),
        st.sampled_from([b"\r\n", b"\n", b"\r", b"$R,1,2,a=3C*0000\r\n", b"x" * 255, b"y" * 300, b"\x00"]),
    ),
    max_size=12,
).map(b"".join)


def split_whole(stream: bytes) -> tuple[list[bytes], int, bytes]:
    splitter = LineSplitter()
    return splitter.feed(stream), splitter.overlong, splitter.pending


@given(stream=STREAMS, cuts=st.lists(st.integers(0, 2000), max_size=30))
def test_cutting_the_stream_anywhere_changes_nothing(stream, cuts):
    splitter = LineSplitter()
    lines, last = [], 0
    for cut in [*sorted(c % (len(stream) + 1) for c in cuts), len(stream)]:
        lines += splitter.feed(stream[last:cut])
        last = cut
    assert (lines, splitter.overlong, splitter.pending) == split_whole(stream)
    assert splitter.received == len(stream)


@given(stream=STREAMS)
def test_one_byte_at_a_time_changes_nothing_and_memory_stays_bounded(stream):
    splitter = LineSplitter()
    lines = []
    for k in range(len(stream)):
        lines += splitter.feed(stream[k : k + 1])
        assert len(splitter.pending) <= LONGEST_LINE_BYTES
    assert (lines, splitter.overlong, splitter.pending) == split_whole(stream)


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r", b"\r\r\n", b"\n\n"])
def test_every_usual_line_end_ends_a_line_once(end):
    assert LineSplitter().feed(b"a" + end + b"b" + end) == [b"a", b"b"]


def test_a_line_of_the_longest_length_passes_and_one_byte_more_does_not():
    splitter = LineSplitter()
    assert splitter.feed(b"x" * LONGEST_LINE_BYTES + b"\n") == [b"x" * LONGEST_LINE_BYTES]
    assert splitter.feed(b"x" * (LONGEST_LINE_BYTES + 1) + b"\nnext\n") == [b"next"]
    assert splitter.overlong == 1


def test_an_endless_line_is_counted_once_and_the_next_line_is_read():
    splitter = LineSplitter()
    for _ in range(1000):
        assert splitter.feed(b"z" * 97) == []
    assert splitter.feed(b"\nback\n") == [b"back"]
    assert (splitter.overlong, splitter.pending) == (1, b"")


def test_clearing_forgets_the_unfinished_line_only():
    splitter = LineSplitter()
    splitter.feed(b"half of a li")
    splitter.clear()
    assert splitter.feed(b"whole\n") == [b"whole"]
    assert splitter.received == 18
