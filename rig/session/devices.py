"""The devices that a drink is recorded from: those named, those heard, or simulated ones."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rig.errors import ModelRangeError, NotFound, PortError

if TYPE_CHECKING:
    from rig.capture.decoding.readings import Decoder
    from rig.capture.devices.ports import PortSpec
    from rig.capture.devices.simulated.drink import Hands, MadeUp


@contextmanager
def simulated_devices(
    drink: MadeUp, time_scale: float
) -> Iterator[tuple[Hands | None, tuple[PortSpec, ...]]]:
    """Devices that are only simulated, running meanwhile around a drink that nobody makes."""
    from rig.capture.devices.simulated.rig import SimulatedRig

    with SimulatedRig(drink, time_scale=time_scale) as rig:
        yield rig.hands, rig.ports


def ports_of(
    port: list[str] | None,
    decoders: Mapping[str, Decoder],
    among: Collection[str] = (),
    known: Collection[str] = (),
) -> tuple[PortSpec, ...]:
    """The real devices to record from.

    `port` names what is opened as it is; `among` what is listened to and must be heard, in this order; without
    either all are listened to that this computer lists, and the `known` ones, whose addresses somebody named.

    Raises
    ------
    PortError
        Nothing is heard, or not all of what was chosen.
    """
    return _ports_named(port, decoders) if port else _ports_heard(decoders, among, known)


def _ports_named(named: list[str], decoders: Mapping[str, Decoder]) -> tuple[PortSpec, ...]:
    from rig.capture.devices.ports import PortSpec, list_devices
    from rig.capture.devices.transport import DEFAULT_BAUD

    listed = {d.address: d for d in list_devices()}
    specs = []
    for text in named:
        where, _, dialect = text.partition("=")
        address, _, baud = where.partition("@")
        if baud and not baud.isdigit():
            raise ModelRangeError(f"{baud!r} is no speed; write the port as {address}@9600")
        if dialect and dialect not in decoders:
            raise NotFound("dialect", dialect, decoders)
        usb = listed[address].usb if address in listed else None
        specs.append(PortSpec(address, int(baud or DEFAULT_BAUD), dialect or None, usb=usb))
    return tuple(specs)


def _ports_heard(
    decoders: Mapping[str, Decoder], among: Collection[str], known: Collection[str]
) -> tuple[PortSpec, ...]:
    from rig.capture.devices.health import PortState
    from rig.capture.devices.ports import PortSpec, every_device
    from rig.capture.devices.ports_listen import listen_to_all

    there = {d.address: d for d in every_device(among or known)}
    heard = listen_to_all([there[a] for a in among or there], decoders)
    specs = tuple(
        PortSpec(
            h.device.address,
            h.baud,
            h.dialect,
            h.device.usb,
            h.identity.board if h.identity is not None else "",
        )
        for h in heard
        if h.state is PortState.OK and h.baud is not None
    )
    if not specs or (among and len(specs) < len(heard)):
        silent = [h for h in heard if h.state is not PortState.OK]
        why = "; ".join(f"{h.device.address}: {h.words}" for h in silent) or "no device is plugged in"
        what = "not all that was chosen is heard" if specs else "nothing to record from"
        raise PortError(f"{what}: {why}. See chillrig ports, or try simulated devices (--simulated)")
    return specs
