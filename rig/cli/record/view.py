"""The screen while a drink is recorded: figures that are read at arm's length with wet hands."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rig.capture.devices.health import PortReport, PortState
from rig.capture.to_run.weighing import StepKind
from rig.cli.printing import console, one_line, reader_units, visible
from rig.session.drink import Session

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import RenderableType

_FONT = {
    "0": ("███", "█ █", "█ █", "█ █", "███"),
    "1": (" █ ", "██ ", " █ ", " █ ", "███"),
    "2": ("███", "  █", "███", "█  ", "███"),
    "3": ("███", "  █", " ██", "  █", "███"),
    "4": ("█ █", "█ █", "███", "  █", "  █"),
    "5": ("███", "█  ", "███", "  █", "███"),
    "6": ("███", "█  ", "███", "█ █", "███"),
    "7": ("███", "  █", "  █", " █ ", " █ "),
    "8": ("███", "█ █", "███", "█ █", "███"),
    "9": ("███", "█ █", "███", "  █", "███"),
    "-": ("   ", "   ", "███", "   ", "   "),
    "+": ("   ", " █ ", "███", " █ ", "   "),
    ".": (" ", " ", " ", " ", "█"),
    " ": ("  ", "  ", "  ", "  ", "  "),
}
_ROWS = 5
WAYS = "space: start, stop or take    s: skip    m: mark    b: believe the probe    q or e: end"


def big(text: str) -> str:
    """Digits, point and signs five rows tall; anything else is left out."""
    glyphs = [_FONT[c] for c in text if c in _FONT]
    return "\n".join("  ".join(g[row] for g in glyphs).rstrip() for row in range(_ROWS))


@contextmanager
def live_view(on_terminal: bool, ways: str = WAYS) -> Iterator[Callable[[Session], None]]:
    """A function that shows a session as it is now, with what keys do; off a terminal it shows nothing."""
    if not on_terminal:
        yield lambda session: None
        return
    from rich.live import Live

    with Live(console=console(), screen=True, auto_refresh=False) as live:
        yield lambda session: live.update(screen(session, ways), refresh=True)


def screen(session: Session, ways: str = WAYS) -> RenderableType:
    """All of the screen, for one moment."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    follower = session.follower
    figures = Table.grid(padding=(0, 6))
    units = reader_units()
    figures.add_row(units.temperature, "s" if session.moving else units.mass)
    second = f"{session.moved_s:.0f}" if session.moving else _number(follower.scale_g, "g")
    if session.hidden and session.moving:
        figures = Table.grid()
    elif session.hidden:
        figures.add_row("", big(second))
    else:
        figures.add_row(big(_number(session.temp_c, "°C")), big(second))
    words = session.words if session.moving and not session.hidden else None
    style = "bold reverse" if words is not None and words.stop_now else "bold"
    state = session.recording.state()
    return Group(
        Text(visible(asked(session)), style="bold"),
        Text(_doubt(session), style="bold reverse"),
        figures,
        Text(""),
        Text("" if words is None else visible(words.text), style=style),
        Text("" if words is None else visible(words.note), style="dim"),
        Text(visible(session.said or session.doubt)),
        Text("" if state is None else visible(state.disk_words), style="bold reverse"),
        *(Text(visible(line)) for line in ([] if state is None else port_lines(state.ports))),
        Text(""),
        Text(ways, style="dim"),
    )


def asked(session: Session) -> str:
    """What is to be done now, with what the recipe says of it."""
    technique = session.way.technique
    if session.moving and session.hidden:
        return f"{technique.capitalize()}: stop by feel, with space"
    if session.moving:
        limit = session.way.duration_s
        return f"{technique.capitalize()}: stop with space" + (
            "" if limit is None else f", or at {limit:g} s"
        )
    step = session.expecting
    if step is None:
        return "Done" if session.finished else f"Space starts; {technique} at once"
    if step.kind is StepKind.VESSEL:
        return f"Put the {step.name} on the scale"
    if step.name == "strained":
        return "Strain into the glass"
    expected = "" if step.expected_g is None else f": {step.expected_g:.1f} g"
    return f"Add {step.name}{expected}"


def port_lines(ports: Iterable[PortReport]) -> list[str]:
    """One line a port: whether it is heard, in a sign and in words."""
    return [f"{'●' if p.state is PortState.OK else '○'} {one_line(f'{p.name}: {p.words}')}" for p in ports]


def _doubt(session: Session) -> str:
    """What is wrong with the probe, and what the call goes by meanwhile; empty while it is believed."""
    doubt = session.probe_words
    if not doubt:
        return ""
    by = "by the clock" if session.moving else "check it before you start"
    return visible(f"{doubt[0].upper()}{doubt[1:]}: {by}")


def _number(value: float | None, of: str) -> str:
    return "-" if value is None else reader_units().number(value, 1, of)
