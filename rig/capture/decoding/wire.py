"""Our own wire format: one line a reading, fit to be printed by a sketch and read by a person.

    $R,17,48210,probe=-0.25C,scale=412.3g*5A3E

After `$R` come the sequence number and the board's milliseconds, then channels as name=number+unit, and a
checksum over all between `$` and `*`. `$ID,board,firmware,channel,...` names the board. The sentence shape is
that of NMEA 0183; the check is CRC-16/CCITT-FALSE in four hexadecimal digits (the check value of "123456789"
is 29B1), or NMEA's exclusive-or in two. The whole specification: `firmware_notes/wire_format.md`.
"""

from __future__ import annotations

import binascii
import functools
import math
import operator
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rig.capture.decoding.lines import LONGEST_LINE_BYTES
from rig.capture.decoding.readings import (
    COUNT_LIMIT,
    UNITS,
    Decoded,
    Identity,
    Quality,
    Reading,
    Reject,
    Sample,
    sample,
)

MOST_DECIMALS = 6

_SENTENCE = re.compile(rb"\$([\x20-\x23\x25-\x29\x2b-\x7e]*)\*([0-9A-Fa-f]{4}|[0-9A-Fa-f]{2})[ \t]*")
_COUNT = re.compile(r"[0-9]{1,10}")
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]{0,23}")
_CHANNEL = re.compile(
    r"(?P<name>[A-Za-z][A-Za-z0-9_]{0,23})="
    r"(?:(?P<number>[+-]?(?:[0-9]{1,12}(?:\.[0-9]{0,12})?|\.[0-9]{1,12}))|(?P<none>[?^]))"
    r"(?P<unit>[A-Za-z][A-Za-z0-9/]{0,7})?(?P<unsettled>~)?"
)
_WORD = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._:/-]{0,39}")

_NO_VALUE = {"?": Quality.SENSOR_FAULT, "^": Quality.OVERLOAD}


def crc16(body: bytes) -> int:
    """CRC-16/CCITT-FALSE: polynomial 0x1021, start 0xFFFF, not reflected, no final exclusive-or."""
    return binascii.crc_hqx(body, 0xFFFF)


def xor8(body: bytes) -> int:
    """NMEA 0183's check: the exclusive-or of all bytes."""
    return functools.reduce(operator.xor, body, 0)


def encode(
    sequence: int, tick_ms: int, channels: Iterable[tuple[str, float, str]], *, settled: bool = True
) -> bytes:
    """One reading as a whole line, CR LF included.

    `channels` are (name, value in the unit given, unit symbol of `readings.UNITS`); NaN is printed as a
    sensor fault, an infinity as an overload; `settled` is False for a scale in motion. Raises ValueError where the
    line would not be read back.
    """
    mark = "" if settled else "~"
    fields = [f"{_channel(c)}{mark if math.isfinite(c[1]) else ''}" for c in channels]
    return _line(["R", str(sequence % COUNT_LIMIT), str(tick_ms % COUNT_LIMIT), *fields])


def encode_identity(board: str, firmware: str, channels: Sequence[str]) -> bytes:
    """The line by which a board names itself, CR LF included. Raises ValueError on words it cannot carry."""
    return _line(["ID", board, firmware, *channels])


def _channel(channel: tuple[str, float, str]) -> str:
    name, value, unit = channel
    if math.isnan(value):
        return f"{name}=?{unit}"
    if math.isinf(value):
        return f"{name}=^{unit}"
    number = f"{value:.{MOST_DECIMALS}f}".rstrip("0").rstrip(".")
    return f"{name}={'0' if number == '-0' else number}{unit}"


def _line(fields: Sequence[str]) -> bytes:
    body = ",".join(fields)
    body_bytes = body.encode("ascii", errors="strict")
    line = b"$%s*%04X" % (body_bytes, crc16(body_bytes))
    if isinstance(verdict := WireDecoder().decode(line), Reject):
        raise ValueError(f"no line of the wire format: {body!r}: {verdict.reason}")
    return line + b"\r\n"


@dataclass(frozen=True)
class WireDecoder:
    """Reads our own wire format. Never raises; a line is read from its last `$`, so noise before it is shed."""

    name: str = "wire"

    @property
    def checked(self) -> bool:
        """Every line carries a checksum."""
        return True

    def decode(self, line: bytes) -> Decoded:
        """A reading, an identity, or why the line is neither."""
        start = line.rfind(b"$")
        if start < 0:
            return Reject("no $ in the line", line)
        if len(line) - start > LONGEST_LINE_BYTES:
            return Reject(f"longer than {LONGEST_LINE_BYTES} bytes", line)
        sentence = _SENTENCE.fullmatch(line, start)
        if not sentence:
            return Reject("does not end in * and a checksum of 4 (or 2) hexadecimal digits", line)
        body, digits = sentence.group(1), sentence.group(2)
        due = b"%04X" % crc16(body) if len(digits) == 4 else b"%02X" % xor8(body)
        if digits.upper() != due:
            return Reject(f"checksum {digits.decode()} where the line gives {due.decode()}", line)
        kind, *fields = body.decode("ascii").split(",")
        said: Reading | Identity | str
        if kind == "R":
            said = _reading(fields)
        elif kind == "ID":
            said = _identity(fields)
        else:
            said = f"sentence {kind!r} is neither R nor ID"
        return Reject(said, line) if isinstance(said, str) else said


def _reading(fields: Sequence[str]) -> Reading | str:
    if len(fields) < 3:
        return "a reading needs sequence, milliseconds and at least one channel"
    counts = []
    for what, text in zip(("sequence", "milliseconds"), fields, strict=False):
        if not _COUNT.fullmatch(text) or int(text) >= COUNT_LIMIT:
            return f"{what} {text!r} is no whole number from 0 to {COUNT_LIMIT - 1}"
        counts.append(int(text))
    samples: list[Sample] = []
    for text in fields[2:]:
        one = _sample(text)
        if isinstance(one, str):
            return one
        if any(one.channel == s.channel for s in samples):
            return f"channel {one.channel!r} twice"
        samples.append(one)
    return Reading(tuple(samples), sequence=counts[0], tick_ms=counts[1])


def _sample(text: str) -> Sample | str:
    found = _CHANNEL.fullmatch(text)
    if not found:
        return f"{text!r} is no name=number with unit"
    symbol = found["unit"] or ""
    unit = UNITS.get(symbol)
    if unit is None:
        return f"unknown unit {symbol!r} in {text!r}"
    if found["none"]:
        return sample(found["name"], math.nan, unit, _NO_VALUE[found["none"]])
    quality = Quality.UNSETTLED if found["unsettled"] else Quality.GOOD
    return sample(found["name"], float(found["number"]), unit, quality)


def _identity(fields: Sequence[str]) -> Identity | str:
    if len(fields) < 2:
        return "an identity needs board and firmware"
    for text in fields[:2]:
        if not _WORD.fullmatch(text):
            return f"{text!r} is no name of a board or firmware"
    for text in fields[2:]:
        if not _NAME.fullmatch(text):
            return f"{text!r} is no channel name"
    return Identity(fields[0], fields[1], tuple(fields[2:]))
