"""USB scales that speak the standard's usage page of weighing devices, through hidapi where that is installed.

hidapi is imported when it is used: without it such an address is refused with what to install.
"""

from __future__ import annotations

import os
import threading
from contextlib import suppress
from importlib.util import find_spec
from typing import Any

from rig.capture.decoding.peripherals import SCALES_PAGE, scale_report
from rig.capture.devices.queued import Peripheral, QueuedLink
from rig.capture.devices.transport import Link, Refusal, Trouble
from rig.errors import PortError

SCHEME = "hid:"
INSTALL = "USB scales need one more library. Install it: pip install 'chillrig[hid]'"
_WAIT_MS = 200
_REPORT_BYTES = 64


def hid_installed() -> bool:
    """Whether the library that speaks to such scales is there."""
    return find_spec("hid") is not None


def find_usb_scales() -> tuple[Peripheral, ...]:
    """Scales that are plugged in; none where hidapi is not installed. Nothing is opened."""
    if not hid_installed():
        return ()
    import hid

    return tuple(
        Peripheral(f"{SCHEME}{os.fsdecode(d['path'])}", d.get("product_string") or "USB scale")
        for d in hid.enumerate()
        if d.get("usage_page") == SCALES_PAGE
    )


def open_usb_scale(address: str) -> Link | Refusal:
    """The link to a scale's address, or why it cannot be opened."""
    if not hid_installed():
        return Refusal(Trouble.REFUSED, INSTALL)
    import hid

    path = address.removeprefix(SCHEME)
    if all(scale.address != address for scale in find_usb_scales()):
        return Refusal(Trouble.ABSENT, f"{path} is no scale that is plugged in. Plug it in, and wake it")
    device = hid.device()
    try:
        device.open_path(os.fsencode(path))
    except OSError as error:
        return Refusal(
            Trouble.NOT_ALLOWED,
            f"{path} cannot be opened: {error}. May this user read it? On Linux that takes a udev rule",
        )
    return UsbScaleLink(path, device)


class UsbScaleLink(QueuedLink):
    """A scale's reports, read on a thread of its own."""

    def __init__(self, path: str, device: Any) -> None:
        super().__init__()
        self.path, self._device = path, device
        self._thread = threading.Thread(target=self._follow, name=f"scale {path}", daemon=True)
        self._thread.start()

    def _follow(self) -> None:
        try:
            self.named(self._device.get_product_string() or "", "hid", ("scale",))
            while not self.stopped.is_set():
                data = bytes(self._device.read(_REPORT_BYTES, _WAIT_MS))
                if not data:
                    continue
                said = scale_report(data)
                if isinstance(said, str):
                    self.refused(data, said)
                else:
                    self.said(said)
        except (OSError, ValueError) as error:
            self.broken(PortError(f"{self.path}: the scale has gone: {error}"))
        finally:
            with suppress(OSError, ValueError):
                self._device.close()
