"""What is to be made, from which devices, and what of it is known beforehand."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Any

from dashboard.params import Params, Scale, named, one
from rig.bench import Bench, Motion, Target
from rig.bench_toml import bench_toml
from rig.capture.to_run.probe_doubted import USUAL_START
from rig.errors import RigError
from rig.fitting.situation import Situation
from rig.runs import BLIND, YES
from rig.session.resumed import Begun
from rig.session.simulated_drink import as_simulated
from rig.session.way import Way, WeighedIn, ingredients_g

NO_TARGET = ""
SPEED = Scale(1.0, 20.0, 1.0, "times")
LONGEST_NAME = 60


class Devices(StrEnum):
    """Where the readings come from."""

    HEARD = "heard"
    SIMULATED = "simulated"

    @property
    def words(self) -> str:
        """As a person chooses it."""
        return {Devices.HEARD: "plugged in", Devices.SIMULATED: "simulated"}[self]


class Probe(StrEnum):
    """Where the main probe is before the motion starts."""

    IN = "in"
    OUT = "out"

    @property
    def words(self) -> str:
        """As a person chooses it."""
        return {Probe.IN: "in the drink", Probe.OUT: "not in the drink"}[self]


class World(StrEnum):
    """Where a simulated drink is made."""

    OWN = "own"
    OTHER = "other"

    @property
    def words(self) -> str:
        """As a person chooses it."""
        return {World.OWN: "as on this bench", World.OTHER: "in another bar"}[self]


@dataclass(frozen=True)
class LiveQuestion:
    """One drink about to be made: names of the bench, the devices, and where the probe is.

    `ports`: addresses of the devices chosen among those heard, none for all of them.
    `blind`: stopped by feel, the call and all numbers hidden until then.
    `speed`: how much faster than the clock simulated devices run; `seed`: which simulated drink.
    """

    bench: str
    technique: str
    vessel: str
    ice: str
    recipe: str
    target: str
    devices: Devices
    probe: Probe
    ports: tuple[str, ...] = ()
    speed: float = 1.0
    seed: int = 1
    world: World = World.OWN
    operator: str = ""
    session: str = ""
    blind: bool = False

    @classmethod
    def of(cls, bench_name: str, bench: Bench, params: Params) -> LiveQuestion:
        """What the parameters ask; what they leave out is the first of the bench.

        Raises
        ------
        NotFound, ModelRangeError, RigError
            A name that is not on the bench; a bench with no vessel, ice or recipe.
        """
        known = {
            "technique": techniques(bench),
            "vessel": tuple(bench.vessels),
            "ice": tuple(bench.ice),
            "recipe": tuple(bench.recipes),
        }
        for kind, names in known.items():
            if not names:
                raise RigError(f"the bench has no {kind}. Write one into its bench.toml and import it again")
        first = {k: named(params, k, names, names[0], k) for k, names in known.items()}
        targets = (*bench.targets, NO_TARGET)
        seed = one(params, "seed") or "1"
        devices = Devices(named(params, "devices", tuple(Devices), Devices.SIMULATED, "choice of devices"))
        return cls(
            bench_name,
            **first,
            target=named(params, "target", targets, targets[0], "target"),
            devices=devices,
            probe=Probe(named(params, "probe", tuple(Probe), Probe.IN, "place of the probe")),
            ports=tuple(p for p in params.get("port", ()) if p) if devices is Devices.HEARD else (),
            speed=SPEED.read(params, "speed", 1.0) if devices is Devices.SIMULATED else 1.0,
            seed=int(seed) if seed.isdecimal() and len(seed) < 7 else 1,
            world=World(named(params, "world", tuple(World), World.OWN, "world")),
            operator=(one(params, "operator") or "").strip()[:LONGEST_NAME],
            session=(one(params, "session") or "").strip()[:LONGEST_NAME],
            blind=one(params, "blind") == YES,
        )

    @classmethod
    def of_begun(cls, begun: Begun) -> LiveQuestion:
        """What was asked of a drink that was begun on a screen that has died."""
        given = {k: str(v) for k, v in begun.given.items() if v is not None}
        return cls(
            begun.bench_name,
            given["technique"],
            given["vessel"],
            given["ice"],
            given["recipe"],
            given.get("target", NO_TARGET),
            Devices.SIMULATED if begun.simulated else Devices.HEARD,
            Probe.IN if begun.probe_in_drink else Probe.OUT,
            ports=() if begun.simulated else begun.addresses,
            speed=begun.time_scale,
            operator=given.get("operator", ""),
            session=given.get("session", ""),
            blind=begun.blind,
        )

    @property
    def again(self) -> LiveQuestion:
        """The same drink once more; a simulated one by other hands."""
        return replace(self, seed=self.seed + 1)

    def goal(self, bench: Bench) -> Target | None:
        """The target; None where only temperature and dilution are to be estimated."""
        return None if self.target == NO_TARGET else bench.target(self.target)

    def way(self, bench: Bench) -> Way:
        """The steps of the weigh-in and after."""
        return Way(self.technique, ingredients_g(bench.recipe(self.recipe)), bench.vessel(self.vessel).mass_g)

    def meta(self, bench: Bench, usual_start_c: float) -> dict[str, Any]:
        """What goes into the journal's header, so that a crash loses none of it.

        `usual_start_c`: what the probe should show before the start.
        """
        run: dict[str, Any] = {
            "run": f"{datetime.now().astimezone():%y%m%d-%H%M%S}",
            "technique": self.technique,
            "vessel": self.vessel,
            "ice": self.ice,
            "recipe": self.recipe,
        }
        if self.target != NO_TARGET:
            run["target"] = self.target
        run |= {k: v for k in ("operator", "session") if (v := getattr(self, k))}
        return {
            "bench_name": self.bench,
            "bench": bench_toml(bench),
            "run": as_simulated(run) if self.devices is Devices.SIMULATED else run,
            "probe_in_drink": self.probe is Probe.IN,
            USUAL_START: usual_start_c,
            BLIND: self.blind,
        }

    @property
    def simulated_situation(self) -> Situation:
        """What a simulated drink is asked to be."""
        return Situation(self.technique, self.vessel, self.ice, self.recipe)

    def situation(self, known: WeighedIn) -> Situation:
        """What is known of this drink once it is weighed in."""
        return Situation(
            self.technique,
            self.vessel,
            self.ice,
            self.recipe,
            drink_temp_c=known.temp_c if self.probe is Probe.IN else None,
            drink_mass_g=known.mass_g.get("drink"),
            ice_mass_g=known.mass_g.get("ice"),
            probe_std_k=known.probe_std_k,
            scale_std_g=known.scale_std_g,
        )

    @property
    def words(self) -> str:
        """The drink and its set-up on one line."""
        return f"{self.recipe}: {self.technique} · {self.vessel} · {self.ice}"


def techniques(bench: Bench) -> tuple[str, ...]:
    """Techniques of the bench, then the common ones."""
    common = (m.value for m in (Motion.SHAKE, Motion.STIR, Motion.BLEND, Motion.SWIRL))
    return tuple(dict.fromkeys((*bench.techniques, *common)))
