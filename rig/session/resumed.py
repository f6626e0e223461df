"""A drink whose screen has died, as its journal has it: what was begun, so that another screen can go on with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from rig.bench import Bench, Target, parse_bench
from rig.capture.recording.journal import Header, decode
from rig.capture.recording.recorder_files import Files
from rig.capture.to_run.probe_doubted import USUAL_START
from rig.errors import LogbookError, RigError
from rig.runs import BLIND
from rig.session.probe import ProbeWatch
from rig.session.simulated_drink import SIMULATED_BECAUSE
from rig.session.way import Way, ingredients_g

WAY = "way"
"""The key of the header's `meta` for what the run does not say: the ice to weigh in, and when to stop by itself."""

_LONGEST_HEADER_BYTES = 16 * 1024 * 1024


@dataclass(frozen=True, eq=False)
class Begun:
    """What was begun: the bench as it was, fields of the run known beforehand, the steps, the probe's place.

    `usual_c`: what the probe should read before the start [°C]; `time_scale`: how much faster than the clock simulated
    devices run; `blind`: it is stopped by feel.
    """

    bench_name: str
    bench: Bench
    given: Mapping[str, Any]
    way: Way
    target: Target | None
    probe_in_drink: bool
    usual_c: float | None
    time_scale: float
    simulated: bool
    blind: bool
    addresses: tuple[str, ...]

    @property
    def watch(self) -> ProbeWatch:
        """Who watches its probe."""
        return ProbeWatch(self.usual_c, self.probe_in_drink, self.time_scale)


def begun_in(files: Files) -> Begun:
    """What a recording was begun for.

    Raises
    ------
    LogbookError
        Its journal does not say of which drink it is.
    """
    try:
        with files.journal.open("rb") as file:
            header = decode(file.readline(_LONGEST_HEADER_BYTES))
    except OSError as error:
        raise LogbookError(f"{files.journal}: the journal cannot be read: {error.strerror}") from error
    if not isinstance(header, Header):
        raise LogbookError(f"{files.journal}: its first line is no header of a journal")
    try:
        return _begun(header)
    except (RigError, KeyError, TypeError, ValueError, AttributeError) as error:
        why = str(error) if isinstance(error, RigError) else "its first line does not say so"
        raise LogbookError(
            f"{files.journal}: no screen can tell of which drink it is: {why}. End it and bring it in: "
            "chillrig record --recover"
        ) from error


def way_json(way: Way) -> dict[str, float]:
    """Of a way, what the run and the bench do not say, for the header's `meta`."""
    told = {"ice_g": way.ice_g, "duration_s": way.duration_s}
    return {k: v for k, v in told.items() if v is not None}


def _begun(header: Header) -> Begun:
    meta, given = header.meta, dict(header.meta["run"])
    bench = parse_bench(meta["bench"], "the journal's bench")[0]
    told = {k: float(v) for k, v in dict(meta.get(WAY, {})).items() if k in ("ice_g", "duration_s")}
    usual = meta.get(USUAL_START)
    return Begun(
        bench_name=str(meta["bench_name"]),
        bench=bench,
        given=given,
        way=Way(
            str(given["technique"]),
            ingredients_g(bench.recipe(given["recipe"])),
            bench.vessel(given["vessel"]).mass_g,
            **told,
        ),
        target=bench.target(given["target"]) if given.get("target") else None,
        probe_in_drink=bool(meta.get("probe_in_drink")),
        usual_c=float(usual) if isinstance(usual, int | float) else None,
        time_scale=header.time_scale,
        blind=bool(meta.get(BLIND)),
        simulated=given.get("excluded_because") == SIMULATED_BECAUSE,
        addresses=tuple(p.address for p in header.ports),
    )
