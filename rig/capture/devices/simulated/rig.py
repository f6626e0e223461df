"""A whole rig of simulated devices around one drink: a probe with a motion sensor, and a scale."""

from __future__ import annotations

import tempfile
from pathlib import Path

from rig.capture.devices.ports import PortSpec
from rig.capture.devices.simulated.device import Pacer, SimulatedDevice, simulated_clock
from rig.capture.devices.simulated.drink import Hands, MadeUp

PROBE_HZ, SCALE_HZ = 10.0, 10.0


class SimulatedRig:
    """Devices that send while the context lasts; `hands` makes things happen to the drink."""

    def __init__(
        self,
        drink: MadeUp,
        *,
        time_scale: float = 1.0,
        probe_hz: float = PROBE_HZ,
        scale_hz: float = SCALE_HZ,
    ) -> None:
        """Plug two devices in. Raises PortError where this system has no pseudo-terminals."""
        self.time_scale = time_scale
        now_s = simulated_clock(time_scale)
        self.hands = hands = Hands(drink, now_s)
        self._folder = tempfile.TemporaryDirectory(prefix="chillrig-simulated-")
        home = Path(self._folder.name)
        self.probe = SimulatedDevice(
            home / "probe",
            lambda s: [("probe", hands.probe_c(s), "C"), ("cadence", hands.cadence_hz(s), "Hz")],
            probe_hz,
            board="sim-probe",
        )
        self.scale = SimulatedDevice(
            home / "scale", lambda s: [("scale", hands.scale_g(s), "g")], scale_hz, board="sim-scale"
        )
        self._pacers = [Pacer(d, now_s, time_scale) for d in (self.probe, self.scale)]

    @property
    def ports(self) -> tuple[PortSpec, ...]:
        """Where to record it from."""
        return (
            PortSpec(self.probe.address, dialect="wire", label="simulated probe"),
            PortSpec(self.scale.address, dialect="wire", label="simulated scale"),
        )

    def __enter__(self) -> SimulatedRig:
        for pacer in self._pacers:
            pacer.start()
        return self

    def __exit__(self, *_: object) -> None:
        for pacer in self._pacers:
            pacer.stop()
        for device in (self.probe, self.scale):
            device.close()
        self._folder.cleanup()
