"""Bytes from a port, stamped on arrival: serial ports, pseudo-terminals and TCP sockets alike.

A link is opened, read and closed by one thread only. A port that cannot be opened is no exception but a
`Refusal`, for while recording it is an everyday matter; a link that is lost raises `PortError`.
"""

from __future__ import annotations

import errno
import os
import select
import socket
import sys
import time
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Protocol
from urllib.parse import urlsplit

import serial

from rig.errors import PortError

if sys.platform == "win32":
    _TERMINAL_ERRORS: tuple[type[Exception], ...] = ()
else:
    import termios

    _TERMINAL_ERRORS = (termios.error,)

DEFAULT_BAUD = 115_200
WAIT_S = 0.2
"""A read gives up after this long in silence, so that its thread can look whether to stop."""
SHORTEST_BACK_OFF_S, LONGEST_BACK_OFF_S = 0.1, 2.0
_CHUNK = 4096

_POLLS = hasattr(select, "poll")
# termios.error is no OSError; a port closed under a reader gives TypeError from inside pyserial.
_LOST = (OSError, TypeError, *_TERMINAL_ERRORS)


class Trouble(StrEnum):
    """Why a port cannot be opened."""

    ABSENT = "absent"
    IN_USE = "in use"
    NOT_ALLOWED = "not allowed"
    REFUSED = "refused"


@dataclass(frozen=True)
class Refusal:
    """A port that cannot be opened: why, and in words what to do."""

    trouble: Trouble
    words: str


@dataclass(frozen=True)
class Arrival:
    """Bytes, and `time.perf_counter_ns()` when the first of them was there."""

    data: bytes
    at_ns: int


class Link(Protocol):
    """An open port."""

    def read(self) -> Arrival | None:
        """What has come; None after `WAIT_S` of silence. Raises PortError where the device has gone."""
        ...

    def close(self) -> None:
        """Give the port back; never fails."""
        ...


def open_link(address: str, baud: int = DEFAULT_BAUD) -> Link | Refusal:
    """Open a serial device, a pseudo-terminal, `socket://host:port` or any other URL that pyserial knows.

    A serial device is opened for this program alone, where the system lets it.
    """
    try:
        if address.startswith("socket://"):
            return _SocketLink(address)
        return (_SerialLink if "://" in address or not _POLLS else _TerminalLink)(address, baud)
    except _LOST as error:
        return _refusal(address, error)
    except ValueError as error:
        return Refusal(Trouble.REFUSED, f"{address}: {error}")


class BackOff:
    """How long to wait before the next try: 0.1 s, doubling up to 2 s, from the start again once it worked."""

    def __init__(self) -> None:
        self._next_s = SHORTEST_BACK_OFF_S

    def wait_s(self) -> float:
        """The wait before the next try [s]."""
        now, self._next_s = self._next_s, min(2 * self._next_s, LONGEST_BACK_OFF_S)
        return now

    def worked(self) -> None:
        """Start again from the shortest wait."""
        self._next_s = SHORTEST_BACK_OFF_S


class _SerialLink:
    def __init__(self, address: str, baud: int) -> None:
        self.address = address
        self.port: Any = serial.serial_for_url(
            address, baudrate=baud, timeout=WAIT_S, exclusive=True, do_not_open=True
        )
        self.port.open()
        with suppress(OSError, ValueError, AttributeError, NotImplementedError):
            self.port.set_low_latency_mode(True)

    def read(self) -> Arrival | None:
        # One byte, then the rest: a larger read loses what it already holds when the device goes away.
        try:
            data: bytes = self.port.read(1)
            if not data:
                return None
            at_ns = time.perf_counter_ns()
        except _LOST as error:
            raise PortError(f"{self.address}: the device has gone: {error}") from error
        # What is left fails with the next read, after these bytes have been delivered.
        with suppress(*_LOST):
            if waiting := self.port.in_waiting:
                data += self.port.read(waiting)
        return Arrival(data, at_ns)

    def close(self) -> None:
        with suppress(*_LOST):
            self.port.close()


class _TerminalLink(_SerialLink):
    # The descriptor itself, where the system has one: two calls a line instead of pyserial's five, and bytes that
    # came before the device went away are never lost with it.
    def __init__(self, address: str, baud: int) -> None:
        super().__init__(address, baud)
        self._fd: int = self.port.fileno()
        self._ready = select.poll()
        self._ready.register(self._fd, select.POLLIN)

    def read(self) -> Arrival | None:
        try:
            if not self._ready.poll(1000.0 * WAIT_S):
                return None
            at_ns = time.perf_counter_ns()
            data = os.read(self._fd, _CHUNK)
        except BlockingIOError:
            return None
        except OSError as error:
            raise PortError(f"{self.address}: the device has gone: {error.strerror}") from error
        if not data:
            raise PortError(f"{self.address}: the device has gone")
        return Arrival(data, at_ns)


class _SocketLink:
    # pyserial's own socket:// reports at most one byte waiting and drops what was sent before it opened.
    def __init__(self, address: str) -> None:
        self.address = address
        where = urlsplit(address)
        if where.hostname is None or where.port is None:
            raise ValueError("write socket://host:port")
        self.socket = socket.create_connection((where.hostname, where.port), timeout=2.0)
        self.socket.settimeout(WAIT_S)

    def read(self) -> Arrival | None:
        try:
            data = self.socket.recv(_CHUNK)
        except TimeoutError:
            return None
        except OSError as error:
            raise PortError(f"{self.address}: the connection broke: {error}") from error
        if not data:
            raise PortError(f"{self.address}: the other side closed the connection")
        return Arrival(data, time.perf_counter_ns())

    def close(self) -> None:
        self.socket.close()


_ABSENT = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.ECONNREFUSED, errno.EHOSTUNREACH, errno.EIO}
_IN_USE = {errno.EAGAIN, errno.EBUSY}
_NOT_ALLOWED = {errno.EACCES, errno.EPERM}


def _refusal(address: str, error: Exception) -> Refusal:
    number = getattr(error, "errno", None)
    text = str(error)
    if number in _ABSENT or "FileNotFoundError" in text or isinstance(error, socket.gaierror | TimeoutError):
        return Refusal(Trouble.ABSENT, f"{address} is not there. Plug the device in")
    # Windows is exclusive by itself and says PermissionError where another program has the port.
    if number in _IN_USE or "PermissionError" in text:
        return Refusal(Trouble.IN_USE, f"{address} is in use by another program. Close that program")
    if number in _NOT_ALLOWED:
        return Refusal(
            Trouble.NOT_ALLOWED,
            f"{address} may not be opened by this user. Join the group that owns it (often dialout)",
        )
    return Refusal(Trouble.REFUSED, f"{address} cannot be opened: {text}")
