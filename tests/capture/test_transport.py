"""Links: bytes as they come, stamped on arrival, and a clear word where a device is not there or has gone."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.capture.devices.simulated.device import SimulatedDevice
from rig.capture.devices.transport import BackOff, Link, Refusal, Trouble, open_link
from rig.errors import PortError


def opened(address: str) -> Link:
    link = open_link(address)
    assert not isinstance(link, Refusal), link
    return link


def read_bytes(link: Link, size: int) -> bytes:
    data = b""
    while len(data) < size:
        arrival = link.read()
        assert arrival is not None, f"silence after {data!r}"
        data += arrival.data
    return data


@pytest.fixture
def device(tmp_path: Path) -> Iterator[SimulatedDevice]:
    device = SimulatedDevice(tmp_path / "probe", lambda s: [("probe", s, "C")])
    yield device
    device.close()


def test_bytes_come_through_unchanged_and_stamped_on_arrival(device: SimulatedDevice) -> None:
    link = opened(device.address)
    before_ns = time.perf_counter_ns()
    device.write(bytes(range(256)))
    arrival = link.read()
    assert arrival is not None
    assert before_ns <= arrival.at_ns <= time.perf_counter_ns()
    assert arrival.data + read_bytes(link, 256 - len(arrival.data)) == bytes(range(256))
    link.close()


def test_silence_gives_none_so_that_a_reader_can_look_whether_to_stop(device: SimulatedDevice) -> None:
    link = opened(device.address)
    assert link.read() is None
    link.close()


def test_a_device_that_goes_away_while_it_is_read_raises_port_error(device: SimulatedDevice) -> None:
    link = opened(device.address)
    said: list[str] = []

    def read() -> None:
        try:
            while True:
                link.read()
        except PortError as error:
            said.append(str(error))

    reader = threading.Thread(target=read)
    reader.start()
    device.unplug()
    reader.join(5)
    assert said
    assert "has gone" in said[0]
    link.close()


class GoneAfterOneByte:
    """A port whose device goes away just after its first byte was read."""

    def __init__(self) -> None:
        self.left = [b"7"]

    def read(self, size: int) -> bytes:
        if not self.left:
            raise OSError(5, "Input/output error")
        return self.left.pop()

    @property
    def in_waiting(self) -> int:
        raise OSError(5, "Input/output error")

    def close(self) -> None:
        pass


def test_bytes_that_were_read_before_the_device_went_are_delivered_first() -> None:
    link = opened("loop://")
    link.port.close()  # type: ignore[attr-defined]
    link.port = GoneAfterOneByte()  # type: ignore[attr-defined]
    arrival = link.read()
    assert arrival is not None
    assert arrival.data == b"7"
    with pytest.raises(PortError, match="has gone"):
        link.read()


def test_a_burst_comes_in_one_piece_and_the_loss_after_it_is_told(device: SimulatedDevice) -> None:
    link = opened(device.address)
    device.write(b"7" * 300 + b"\n")
    arrival = link.read()
    assert arrival is not None
    assert arrival.data == b"7" * 300 + b"\n"
    device.unplug()
    with pytest.raises(PortError, match="has gone"):
        link.read()
    link.close()


def test_a_port_has_one_reader_only(device: SimulatedDevice) -> None:
    link = opened(device.address)
    second = open_link(device.address)
    assert isinstance(second, Refusal)
    assert second.trouble is Trouble.IN_USE
    link.close()
    opened(device.address).close()


def test_a_port_that_is_not_there_is_absent(tmp_path: Path) -> None:
    refusal = open_link(str(tmp_path / "nothing"))
    assert isinstance(refusal, Refusal)
    assert refusal.trouble is Trouble.ABSENT


def test_an_address_that_makes_no_sense_is_refused_in_words() -> None:
    refusal = open_link("socket://nowhere")
    assert isinstance(refusal, Refusal)
    assert "host:port" in refusal.words


@pytest.mark.skipif(os.geteuid() == 0, reason="root may open everything")
def test_a_port_of_somebody_else_is_not_allowed(tmp_path: Path) -> None:
    port = tmp_path / "port"
    port.touch(0o000)
    refusal = open_link(str(port))
    assert isinstance(refusal, Refusal)
    assert refusal.trouble is Trouble.NOT_ALLOWED


def test_a_socket_gives_all_that_was_sent_even_before_it_was_read_and_its_end_is_a_loss() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        link = opened(f"socket://127.0.0.1:{server.getsockname()[1]}")
        peer, _ = server.accept()
        peer.sendall(b"412.5 g\r\n" * 20)
        assert read_bytes(link, 180) == b"412.5 g\r\n" * 20
        assert link.read() is None
        peer.close()
        with pytest.raises(PortError, match="closed the connection"):
            link.read()
        link.close()


def test_a_socket_that_nobody_serves_is_absent() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"socket://127.0.0.1:{server.getsockname()[1]}"
    refusal = open_link(address)
    assert isinstance(refusal, Refusal)
    assert refusal.trouble is Trouble.ABSENT


def test_waits_double_up_to_two_seconds_and_start_again_once_it_worked() -> None:
    back_off = BackOff()
    assert [back_off.wait_s() for _ in range(7)] == pytest.approx([0.1, 0.2, 0.4, 0.8, 1.6, 2.0, 2.0])
    back_off.worked()
    assert back_off.wait_s() == pytest.approx(0.1)
