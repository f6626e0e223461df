"""From a scale's stream to weigh-ins: steady plateaus, and which step of the recipe each of them is.

Only a plateau that the next step explains is named. Anything else, a pour that could be two steps or a hand
on the pan, is put into words and left to the person at the scale.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from rig.signals.scale import Plateau, PlateauFinder, SteadyRule


class StepKind(StrEnum):
    """What a step does to the pan."""

    VESSEL = "vessel"
    ADDITION = "addition"


@dataclass(frozen=True)
class Step:
    """One weigh-in to come; without `expected_g` any mass will do, and an addition may come in several goes."""

    name: str
    kind: StepKind = StepKind.ADDITION
    expected_g: float | None = None


@dataclass(frozen=True)
class Matching:
    """How near is near: the same level, a step's expected mass, a vessel set back after motion."""

    same_g: float = 0.8
    within_g: float = 3.0
    within_share: float = 0.15
    returned_g: float = 5.0

    def fits(self, mass_g: float, expected_g: float) -> bool:
        """Whether a change of mass is the expected one; a small step must still be seen as one."""
        least = max(self.same_g, 0.3 * expected_g) if expected_g > self.same_g else 0.3 * expected_g
        return mass_g >= least and abs(mass_g - expected_g) <= max(
            self.within_g, self.within_share * expected_g
        )


@dataclass(frozen=True)
class WeighedStep:
    """A named weigh-in: what it weighs, its standard deviation, when it was steady, and any doubt in words."""

    step: Step
    mass_g: float
    std_g: float
    time_s: float
    doubt: str = ""


@dataclass(frozen=True)
class Doubt:
    """A plateau that no single step explains, in words."""

    time_s: float
    what: str


@dataclass(frozen=True)
class PanState:
    """All that is known after some plateaus: the steps named, the level they left, what is on the pan.

    `before` is the last plateau before the last named step, which an addition in several goes still grows
    from; `returned_g` what the filled vessel weighed when it was last set back.
    """

    steps: tuple[Step, ...]
    matching: Matching = Matching()
    named: tuple[WeighedStep, ...] = ()
    skipped: tuple[Step, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    level: Plateau | None = None
    before: Plateau | None = None
    off: Plateau | None = None
    empty_pan: bool = True
    returned_g: float | None = None

    @property
    def expecting(self) -> Step | None:
        """The step to come; None when all are done."""
        done = len(self.named) + len(self.skipped)
        return self.steps[done] if done < len(self.steps) else None

    @property
    def to_come(self) -> tuple[Step, ...]:
        """The steps from the one expected on."""
        return self.steps[len(self.named) + len(self.skipped) :]


def advance(state: PanState, plateau: Plateau) -> PanState:
    """The state after one more plateau. Pure; a plateau that explains nothing new changes nothing."""
    same = state.matching.same_g
    if plateau.mass_g <= same:
        return replace(state, empty_pan=True, off=plateau)
    if state.level is not None:
        change_g = _change(state.level, plateau)
        if abs(change_g) <= same:
            back = plateau.mass_g if state.empty_pan else state.returned_g
            return replace(state, empty_pan=False, level=plateau, returned_g=back)
        if state.empty_pan and abs(change_g) <= state.matching.returned_g and not _fits_next(state, change_g):
            return replace(state, empty_pan=False, returned_g=plateau.mass_g)
    step = state.expecting
    if step is None:
        return _doubtful(state, plateau, f"{plateau.mass_g:.1f} g on the pan after the last step")
    if step.kind is StepKind.VESSEL:
        return _vessel(state, step, plateau)
    return _addition(state, step, plateau)


def skip(state: PanState) -> PanState:
    """The expected step is left out, as a person says."""
    step = state.expecting
    return state if step is None else replace(state, skipped=(*state.skipped, step))


def accept(state: PanState, plateau: Plateau) -> PanState:
    """Take this plateau for the expected step whatever it weighs, as a person says."""
    step = state.expecting
    if step is None:
        return state
    fresh = step.kind is StepKind.VESSEL or state.level is None
    mass_g = plateau.mass_g - _zero(state) if fresh else _change(state.level, plateau)
    return _name(state, step, mass_g, plateau, None if fresh else state.level)


class WeighIn:
    """A weigh-in as it happens: feed it readings, read `state`; nothing is taken back but by new readings."""

    def __init__(
        self,
        steps: Sequence[Step],
        *,
        rule: SteadyRule | None = None,
        matching: Matching | None = None,
    ) -> None:
        self._finder = PlateauFinder(rule)
        self._closed = PanState(tuple(steps), matching or Matching())

    @property
    def plateau(self) -> Plateau | None:
        """The plateau under way."""
        return self._finder.current

    @property
    def state(self) -> PanState:
        """What is known now, the plateau under way included."""
        current = self._finder.current
        return advance(self._closed, current) if current else self._closed

    def update(self, time_s: float, mass_g: float, *, settled: bool = True) -> None:
        """Take one reading of the scale."""
        ended = self._finder.update(time_s, mass_g, settled=settled)
        if ended:
            self._closed = advance(self._closed, ended)

    def skip(self) -> None:
        """Leave the expected step out."""
        self._closed = skip(self.state)

    def accept(self) -> bool:
        """Take the plateau under way as the expected step; False while the scale moves."""
        current = self._finder.current
        if current is None:
            return False
        self._closed = accept(self._closed, current)
        return True

    def told(self, name: str, mass_g: float) -> None:
        """A step was weighed so, as a journal says; what was to come before it was left out."""
        if any(w.step.name == name for w in self.state.named) or name not in {
            s.name for s in self.state.to_come
        }:
            return
        state, current = self._closed, self._finder.current
        while (step := state.expecting) is not None and step.name != name:
            state = skip(state)
        if step is None:
            return
        if current is not None:
            self._closed = _name(state, step, mass_g, current, state.level)
        else:
            weighed = WeighedStep(step, mass_g, math.nan, math.nan)
            self._closed = replace(state, named=(*state.named, weighed), empty_pan=False)


def _change(level: Plateau | None, plateau: Plateau) -> float:
    assert level is not None
    return plateau.first_g - level.last_g


def _zero(state: PanState) -> float:
    return state.off.last_g if state.off is not None and state.empty_pan else 0.0


def _fits_next(state: PanState, change_g: float) -> bool:
    step = state.expecting
    return (
        step is not None
        and step.kind is StepKind.ADDITION
        and step.expected_g is not None
        and state.matching.fits(change_g, step.expected_g)
    )


def _vessel(state: PanState, step: Step, plateau: Plateau) -> PanState:
    if not state.empty_pan:
        return _more(state, plateau) or _doubtful(
            state, plateau, f"{_change(state.level, plateau):+.1f} g while the {step.name} was to come"
        )
    mass_g = plateau.mass_g - _zero(state)
    if step.expected_g is not None and not state.matching.fits(mass_g, step.expected_g):
        return _doubtful(
            state, plateau, f"{mass_g:.1f} g where the {step.name} should weigh {step.expected_g:.1f} g"
        )
    return _name(state, step, mass_g, plateau, None)


def _addition(state: PanState, step: Step, plateau: Plateau) -> PanState:
    if state.level is None:
        return _doubtful(state, plateau, f"{plateau.mass_g:.1f} g before any vessel was weighed")
    change_g = _change(state.level, plateau)
    if step.expected_g is None:
        # An ingredient of unknown mass may follow ice of unknown mass: then nothing tells them apart.
        if change_g > 0 and not state.empty_pan:
            return _name(state, step, change_g, plateau, state.level)
    elif state.matching.fits(change_g, step.expected_g):
        last = state.named[-1].step if state.named else None
        open_ended = last is not None and last.kind is StepKind.ADDITION and last.expected_g is None
        doubt = f"could be more {last.name}" if last is not None and open_ended else ""
        return _name(state, step, change_g, plateau, state.level, doubt)
    if state.empty_pan:
        poured_g = plateau.mass_g - _zero(state)
        if step.expected_g is not None and state.matching.fits(poured_g, step.expected_g):
            return _name(
                state, step, poured_g, plateau, state.off, "taken as poured after the scale was set to zero"
            )
        return _doubtful(state, plateau, f"{poured_g:.1f} g set on the pan where {step.name} was to come")
    return _more(state, plateau) or _unexplained(state, step, change_g, plateau)


def _more(state: PanState, plateau: Plateau) -> PanState | None:
    """The last addition grown or lessened, where it may come in several goes; else None."""
    if not state.named or state.before is None:
        return None
    last = state.named[-1]
    mass_g = _change(state.before, plateau)
    if last.step.kind is not StepKind.ADDITION or last.step.expected_g is not None or mass_g <= 0:
        return None
    grown = replace(last, mass_g=mass_g, std_g=_joint_std(state.before, plateau), time_s=_middle_s(plateau))
    return replace(state, named=(*state.named[:-1], grown), level=plateau)


def _unexplained(state: PanState, step: Step, change_g: float, plateau: Plateau) -> PanState:
    """Say what the change could be; a pour that is still short of its mark is not worth a word."""
    assert step.expected_g is not None
    following = state.to_come[1:]
    could_be = []
    total_g = step.expected_g
    for number, later in enumerate(following):
        if later.kind is not StepKind.ADDITION or later.expected_g is None:
            break
        total_g += later.expected_g
        if state.matching.fits(change_g, total_g):
            names = ", ".join(s.name for s in state.to_come[: number + 2])
            could_be.append(f"{names} poured together")
        if number == 0 and state.matching.fits(change_g, later.expected_g):
            could_be.append(f"{later.name} with {step.name} left out")
    if could_be:
        return _doubtful(state, plateau, f"{change_g:+.1f} g could be {', or '.join(could_be)}")
    if 0 < change_g < step.expected_g:
        return state
    return _doubtful(
        state, plateau, f"{change_g:+.1f} g where {step.expected_g:.1f} g of {step.name} were to come"
    )


def _name(
    state: PanState, step: Step, mass_g: float, plateau: Plateau, before: Plateau | None, doubt: str = ""
) -> PanState:
    std_g = plateau.std_g if before is None else _joint_std(before, plateau)
    if plateau.drifting:
        doubt = "; ".join(filter(None, [doubt, f"drifted by {plateau.last_g - plateau.first_g:+.1f} g"]))
    weighed = WeighedStep(step, mass_g, std_g, _middle_s(plateau), doubt)
    return replace(state, named=(*state.named, weighed), level=plateau, before=before, empty_pan=False)


def _doubtful(state: PanState, plateau: Plateau, what: str) -> PanState:
    doubt = Doubt(plateau.start_s, what)
    if state.doubts and state.doubts[-1].what == what:
        return state
    return replace(state, doubts=(*state.doubts, doubt))


def _joint_std(before: Plateau, plateau: Plateau) -> float:
    return math.hypot(before.std_g, plateau.std_g)


def _middle_s(plateau: Plateau) -> float:
    return (plateau.start_s + plateau.stop_s) / 2.0
