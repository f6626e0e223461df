"""Loose files sent at once: the runs they are found to be, as somebody then says they are, stored together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from dashboard.figures.small_run import SmallRun, small_run
from dashboard.questions.bring_in import Sent, first_looks
from dashboard.questions.bring_in_run import NAMES, NEW, NUMBERS, RunForm, joined, run_of
from rig.bench import Bench
from rig.errors import ModelRangeError, NoCommonClock, RigError
from rig.importing.loose import LooseFile, drawer_of
from rig.importing.proposal import Proposal
from rig.importing.table_run import Joined, judged_book, with_trace
from rig.logbook.store import Logbook
from rig.runs import Run, RunBook, Trace
from rig.signals.motion import motion_of
from rig.signals.scale import Plateau, plateaus

MOST_RUNS = 150
"""More are not shown at once: each has a picture and its own lines to write in."""
TYPED = ("run", "start", *NUMBERS)
"""What may be typed of each run."""
TOLD = "as told"
"""What puts files together that somebody has put together."""


@dataclass(frozen=True, eq=False)
class FoundRun:
    """Files that make one run: what was typed of it, where it starts and stops, and what is open, "" where nothing.

    `picture` is None where it cannot be drawn.
    """

    files: tuple[str, ...]
    typed: Mapping[str, str]
    by: str
    said: str = ""
    open_point: str = ""
    picture: SmallRun | None = None
    stop_s: float | None = None
    proposals: tuple[Proposal, ...] = field(default=(), repr=False)

    @property
    def name(self) -> str:
        """What the run is called."""
        return self.typed.get("run", "")


def found_runs(files: Sequence[Sent], logbook: Logbook) -> tuple[FoundRun, ...]:
    """The runs that loose files are, by their clocks and names; files over several runs stand by themselves.

    Raises
    ------
    ModelRangeError
        More runs than are shown at once.
    """
    loose = _loose(files, logbook)
    drawer = drawer_of(list(loose.values()))
    if (count := len(drawer.runs) + len(drawer.over_several)) > MOST_RUNS:
        raise ModelRangeError(
            f"these files are {count} runs, and {MOST_RUNS} are shown at once. Bring them in by parts, or all by "
            "chillrig import DIR"
        )
    runs = [_found([f.name for f in r.files], loose, {"run": r.name}, r.by, is_new=True) for r in drawer.runs]
    over = [
        FoundRun(
            (f.name,),
            {"run": ""},
            "",
            open_point=f"{f.name} was left running over several runs: bring it in by itself",
        )
        for f in drawer.over_several
    ]
    return (*runs, *over)


def told_runs(
    files: Sequence[Sent], logbook: Logbook, told: Sequence[tuple[Sequence[str], Mapping[str, str]]]
) -> tuple[FoundRun, ...]:
    """The runs as somebody says they are: files and what was typed of each; of one name, they are one run.

    Raises
    ------
    ModelRangeError
        Where a file named is not among those sent.
    """
    loose = _loose(files, logbook)
    merged: dict[str, tuple[list[str], dict[str, str]]] = {}
    for names, typed in told:
        strange = [n for n in names if n not in loose]
        if strange:
            raise ModelRangeError("the page sent runs of other files; choose the files again")
        key = typed.get("run", "").strip()
        into, said = merged.setdefault(key or " ".join(names), ([], {}))
        into += [n for n in names if n not in into]
        said.update({k: v for k, v in typed.items() if v and not said.get(k)} | {"run": key})
    return tuple(_found(names, loose, typed, TOLD) for names, typed in merged.values())


def _loose(files: Sequence[Sent], logbook: Logbook) -> dict[str, LooseFile]:
    looks = first_looks(files, logbook)
    return {
        f.name: LooseFile(f.name, f.raw, look.proposal, look.refused)
        for f, look in zip(files, looks, strict=True)
    }


def _found(
    names: Sequence[str],
    loose: Mapping[str, LooseFile],
    typed: Mapping[str, str],
    by: str,
    *,
    is_new: bool = False,
) -> FoundRun:
    for name in names:
        if point := loose[name].open_point:
            return FoundRun(
                tuple(names), typed, by, open_point=f"{name}: {point}. Bring it in by itself to answer"
            )
    proposals = tuple(p for n in names if (p := loose[n].proposal) is not None)
    try:
        made = joined(proposals, typed.get("start", "").strip())
    except RigError as error:
        point = str(error).rstrip(".")
        if isinstance(error.__cause__, NoCommonClock):
            point += ", on the page Bring in tables"
        return FoundRun(tuple(names), typed, by, open_point=point, proposals=proposals)
    stop_s = _stop_s(made.trace)
    if is_new and stop_s is not None:
        typed = {**typed, "duration_s": f"{stop_s:.1f}"}
    shown_stop_s = _told_s(typed.get("duration_s", "")) or stop_s
    picture = small_run(made.trace, shown_stop_s, _rests(made.trace), own_start_s=made.own_start_s)
    return FoundRun(tuple(names), typed, by, _said(made, stop_s), "", picture, stop_s, proposals)


def _said(made: Joined, stop_s: float | None) -> str:
    """What the picture shows, in words."""
    words = made.start_words[0].upper() + made.start_words[1:]
    stop = "where it stops is not clear" if stop_s is None else f"it stops {stop_s:.1f} s later"
    return ". ".join((f"{words}; {stop}", *made.doubts))


def _stop_s(trace: Trace) -> float | None:
    """When motion is found to stop, after its start [s]."""
    probe, cadence, scale = (
        None if v is None else (trace.time_s, v) for v in (trace.probe_c, trace.cadence_hz, trace.scale_g)
    )
    stop = motion_of(cadence=cadence, probe=probe, scale=scale).stop
    return None if stop is None or stop.time_s <= 0.0 else float(stop.time_s)


def _rests(trace: Trace) -> tuple[Plateau, ...]:
    return () if trace.scale_g is None else tuple(plateaus(trace.time_s, trace.scale_g))


def _told_s(text: str) -> float | None:
    try:
        return float(text.replace(",", ".")) if text.strip() else None
    except ValueError:
        return None


def store_runs(
    logbook: Logbook, bench: str, runs: Sequence[FoundRun], names: Mapping[str, Any]
) -> tuple[str, ...]:
    """Store the runs together, as one step, or none of them; their names.

    Raises
    ------
    ModelRangeError
        Naming every run that cannot be stored, and why.
    """
    described = logbook.bench(bench)
    books, wrong = [], []
    for run in runs:
        try:
            books.append(_book(logbook, bench, described, run, names))
        except RigError as error:
            wrong.append(f"{run.name or ', '.join(run.files)}: {str(error).rstrip('.')}")
    if wrong:
        raise ModelRangeError("; ".join(wrong))
    if not books:
        raise ModelRangeError("no run is chosen")
    made: tuple[Run, ...] = tuple(r for b in books for r in b.runs)
    findings = tuple(f for b in books for f in b.findings)
    logbook.add(RunBook(described, made, findings), bench, "; ".join(f for r in runs for f in r.files))
    return tuple(r.run for r in made)


def _book(
    logbook: Logbook, bench: str, described: Bench, found: FoundRun, names: Mapping[str, Any]
) -> RunBook:
    if found.open_point:
        raise ModelRangeError(found.open_point)
    form = RunForm.of({"way": NEW, **{k: names.get(k) for k in NAMES}, **found.typed}, described, {})
    made = joined(found.proposals, form.start)
    run = with_trace(run_of(logbook, bench, form), made, found.proposals)
    return judged_book(described, run, found.proposals, made)
