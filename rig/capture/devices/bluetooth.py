"""Scales and thermometers of the Bluetooth SIG's standard profiles, through bleak where that is installed.

bleak is imported when it is used: without it such an address is refused with what to install. A device is recorded like
any port: what it notifies becomes lines of the wire format.
"""

from __future__ import annotations

import asyncio
import threading
from importlib.util import find_spec
from typing import Any

from rig.capture.decoding.peripherals import CHARACTERISTICS, SERVICES, Report
from rig.capture.devices.queued import Peripheral, QueuedLink
from rig.capture.devices.transport import Link, Refusal, Trouble
from rig.errors import PortError

SCHEME = "ble:"
SCAN_S = 4.0
POLL_S = 0.25
CONNECT_S = 15.0
"""How long a device may take until it says something: it sleeps, is found, connects and lists what it has."""
INSTALL = "Bluetooth needs one more library. Install it: pip install 'chillrig[bluetooth]'"


def bluetooth_installed() -> bool:
    """Whether the library that speaks Bluetooth is there."""
    return find_spec("bleak") is not None


def find_bluetooth(scan_s: float = SCAN_S) -> tuple[Peripheral, ...]:
    """Those nearby that announce a profile read here, after listening for a while; none where bleak is not installed.

    Raises
    ------
    PortError
        Where this computer's Bluetooth cannot be used.
    """
    if not bluetooth_installed():
        return ()
    from bleak import BleakScanner
    from bleak.exc import BleakError

    try:
        found = asyncio.run(BleakScanner.discover(timeout=scan_s, service_uuids=list(SERVICES)))
    except (BleakError, OSError) as error:
        raise PortError(
            f"Bluetooth of this computer cannot be used: {error}. Switch it on, or use USB"
        ) from error
    return tuple(
        sorted(
            (Peripheral(f"{SCHEME}{d.address}", d.name or "Bluetooth") for d in found),
            key=lambda p: p.address,
        )
    )


def open_bluetooth(address: str) -> Link | Refusal:
    """The link to a device's address; it connects on a thread of its own."""
    if not bluetooth_installed():
        return Refusal(Trouble.REFUSED, INSTALL)
    return BluetoothLink(address.removeprefix(SCHEME))


class BluetoothLink(QueuedLink):
    """A device's notifications, and what it only lets be read, from a thread with an event loop of its own."""

    def __init__(self, device: str) -> None:
        super().__init__()
        self.device = device
        self._thread = threading.Thread(target=self._run, name=f"bluetooth {device}", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        from bleak.exc import BleakError

        try:
            asyncio.run(self._follow())
        except (BleakError, OSError, TimeoutError) as error:
            why = str(error) or "no answer"
            self.broken(PortError(f"{self.device}: {why}. Wake it, and bring it nearer"))

    async def _follow(self) -> None:
        from bleak import BleakClient

        async with BleakClient(self.device, timeout=CONNECT_S) as client:
            spoken = [
                (c, CHARACTERISTICS[c.uuid])
                for service in client.services
                for c in service.characteristics
                if c.uuid in CHARACTERISTICS
            ]
            if not spoken:
                self.broken(PortError(f"{self.device} is no scale or thermometer of a standard profile"))
                return
            self.named(self.device, "bluetooth", ())
            asked = []
            for characteristic, report in spoken:
                if {"notify", "indicate"} & set(characteristic.properties):
                    await client.start_notify(characteristic, self._hearer(report))
                else:
                    asked.append((characteristic, report))
            while not self.stopped.is_set():
                if not client.is_connected:
                    self.broken(PortError(f"{self.device}: it has gone. Wake it, and bring it nearer"))
                    return
                for characteristic, report in asked:
                    self._take(report, bytes(await client.read_gatt_char(characteristic)))
                await asyncio.sleep(POLL_S)

    def _hearer(self, report: Report) -> Any:
        return lambda _characteristic, data: self._take(report, bytes(data))

    def _take(self, report: Report, data: bytes) -> None:
        said = report(data)
        if isinstance(said, str):
            self.refused(data, said)
        else:
            self.said(said)
