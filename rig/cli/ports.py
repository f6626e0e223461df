"""`chillrig ports`: which devices are there, and what each of them says."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, Dialects, example
from rig.cli.printing import print_json, progress, say, table

if TYPE_CHECKING:
    from rig.capture.devices.ports_listen import Listened
    from rig.capture.devices.queued import Peripheral

EXAMPLE = example("chillrig ports", "chillrig ports /dev/ttyUSB0 --baud 9600", "chillrig ports --json")


def command(
    addresses: Annotated[
        list[str] | None,
        typer.Argument(metavar="[PORT...]", help="Listen to these ports only; default: all there are."),
    ] = None,
    baud: Annotated[
        int | None, typer.Option(min=1, help="Listen at this speed only; default: the usual ones in turn.")
    ] = None,
    listen_s: Annotated[float, typer.Option(min=0.1, help="How long to listen to each [s].")] = 4.0,
    dialects: Dialects = None,
    as_json: AsJson = False,
) -> None:
    """List probes and scales, and say what each is heard saying, or why nothing is heard.

    Opening a port resets many boards: do not ask while a drink is being recorded. Bluetooth is searched where its
    library is installed and no port is named.
    """
    from rig.capture.decoding.dialects import load
    from rig.capture.devices.ports import every_device
    from rig.capture.devices.ports_listen import BAUDS, listen

    decoders = load(dialects or ())
    nearby, deaf = ((), "") if addresses else _nearby()
    devices = [
        d
        for d in every_device(addresses or [p.address for p in nearby])
        if not addresses or d.address in addresses
    ]
    found: list[Listened] = []
    with progress("listening", as_json) as tell:
        for n, device in enumerate(devices):
            tell(n / len(devices))
            bauds = BAUDS if baud is None else (baud,)
            found.append(listen(device, bauds, decoders=decoders, listen_s=listen_s))
    if as_json:
        print_json({"ports": [h.to_dict() for h in found], "bluetooth": deaf or None})
    elif not found:
        say(
            "No device is plugged in. A board that should be here: check its cable (some carry no data), "
            "then its driver. Without any: chillrig record --simulated"
        )
    else:
        _print(found)
    if deaf and not as_json:
        say(deaf)


def _nearby() -> tuple[tuple[Peripheral, ...], str]:
    """Bluetooth devices nearby, and why none can be found."""
    from rig.capture.devices.bluetooth import find_bluetooth
    from rig.errors import PortError

    try:
        return find_bluetooth(), ""
    except PortError as error:
        return (), str(error)


def _print(found: list[Listened]) -> None:
    rows = [(h.device.address, _who(h), h.state.value, _says(h)) for h in found]
    table(("port", "device", "state", "it says"), rows, words=4)


def _who(heard: Listened) -> str:
    if heard.identity is not None:
        return f"{heard.identity.board} ({heard.identity.firmware})"
    usb = "" if heard.device.usb is None else f"\n{heard.device.usb}"
    return f"{heard.device.description}{usb}"


def _says(heard: Listened) -> str:
    from rig.capture.decoding.readings import Quantity

    if heard.reading is None:
        return heard.words
    units = {Quantity.TEMPERATURE: " °C", Quantity.MASS: " g", Quantity.CADENCE: " Hz"}
    values = [f"{s.channel} {s.value:g}{units.get(s.quantity, '')}" for s in heard.reading.samples]
    return f"{', '.join(values)}\n{heard.dialect} at {heard.baud} baud"
