"""Calibrate, on the page Rig: read or type, see what follows and what it rests on, keep it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

from dash import Dash, Input, Output, State, html, no_update
from flask import request

from dashboard import wording
from dashboard.controls import choice, notice, table
from dashboard.headers import GUEST
from dashboard.live.room import is_recording
from dashboard.page import Here
from dashboard.pages.rig_calibrate_forms import WAYS, form, id_of
from dashboard.params import one
from dashboard.questions.calibrate import (
    FIELDS,
    TOLD_AT,
    Procedure,
    WorkedOut,
    made_at_of,
    sentence,
    work_out,
)
from dashboard.questions.calibrate_reading import (
    PLUNGE_S,
    READ_S,
    Taken,
    added,
    chosen,
    name_words,
    named,
    row_to_fill,
)
from dashboard.service import Service
from rig.capture.devices.ports import every_device
from rig.capture.devices.ports_read import PortRead, read_port
from rig.errors import RigError
from rig.logbook.calibrations import calibration_in_force, keep_calibration
from rig.logbook.store import Logbook
from rig.sensors.calibrating import Made, now
from rig.sensors.calibration import Calibration, CalibrationKind
from rig.session.places import recordings_beside

NO_LOGBOOK = "Calibrations belong to a logbook. Make one: chillrig import DIR"
ONLY_HERE = "Ask for this on the computer that the devices are plugged into."
RECORDING = "A drink is being recorded; opening its ports now would disturb it. Read afterwards, or type."
NO_PORTS = "Nothing is plugged in that this computer lists: type the readings, or plug it in and look again."
_WHAT = "calibrate-what"
_PAIRED = (Procedure.POINTS, Procedure.WEIGHTS)
Lists = Callable[[Logbook], tuple[Any, Any]]
"""The two lists of the page, of calibrations and of measures, as they now stand."""


def layout(here: Here) -> Any:
    """The choice of what to calibrate, the port to read from, and the forms; nothing is opened before a press."""
    if here.guest:
        return html.Section([html.H2("Calibrate"), notice(ONLY_HERE, "know")])
    asked = one(here.params, "calibrate")
    ways = [(p.value, way.words) for p, way in WAYS.items()]
    ports, alone, said = ports_offered(here.service)
    return html.Section(
        [
            html.H2("Calibrate", id="calibrate"),
            choice(_WHAT, "What", ways, asked if asked in tuple(Procedure) else ""),
            html.Div(
                [
                    choice("calibrate-port", "Read it from", ports, alone),
                    html.P(said, id="calibrate-ports-said", className="quiet", role="status"),
                    html.Button("Look for devices again", id="calibrate-look", className="quiet-do"),
                ],
                className="calibrate-port",
            ),
            *(form(p) for p in Procedure),
            html.P(
                [
                    "How sure dilution and serve temperature are with what is calibrated: ",
                    html.Code("chillrig calibrate budget"),
                ],
                className="quiet",
            ),
        ],
        className="calibrate",
    )


def ports_offered(service: Service) -> tuple[list[tuple[str, str]], str, str]:
    """The ports to choose from, in words; the only one, else none; and what to say where there is none."""
    found = [(d.address, d.in_words) for d in every_device(service.devices)]
    return found, found[0][0] if len(found) == 1 else "", "" if found else NO_PORTS


def register(app: Dash, service: Service, lists: Lists) -> None:
    """Connect the forms to the ports and to the logbook."""

    @app.callback(
        Output("calibrate-port", "options"),
        Output("calibrate-port", "value"),
        Output("calibrate-ports-said", "children"),
        Input("calibrate-look", "n_clicks"),
        State("calibrate-port", "value"),
        prevent_initial_call=True,
    )
    def look(_clicks: Any, before: Any) -> tuple[Any, Any, Any]:
        if request.environ.get(GUEST):
            return [], "", ONLY_HERE
        ports, alone, said = ports_offered(service)
        options = [{"value": address, "label": words} for address, words in ports]
        return options, before if before in dict(ports) else alone, said

    for procedure in Procedure:
        _register_form(app, service, procedure, lists)


def _register_form(app: Dash, service: Service, procedure: Procedure, lists: Lists) -> None:
    fields, told_at = FIELDS[procedure], TOLD_AT[procedure]
    here = [State(id_of(procedure, f), "data" if f == "trace" else "value") for f in fields]

    @app.callback(
        Output(id_of(procedure, "result"), "children"),
        Output(id_of(procedure, "keep"), "hidden"),
        Output(id_of(procedure, "shown"), "data"),
        Output(id_of(procedure, "kept"), "children", allow_duplicate=True),
        *(Output(id_of(procedure, f"{f}-wrong"), "children") for f in told_at),
        Input(id_of(procedure, "work"), "n_clicks"),
        *here,
        prevent_initial_call=True,
    )
    def worked(_clicks: Any, *sent: Any) -> tuple[Any, ...]:
        values = dict(zip(fields, sent, strict=True))
        made_at = now()
        try:
            found = work_out(procedure, values, made_at, _held(_open(service)))
        except RigError as error:
            return notice(sentence(str(error))), True, None, None, *([""] * len(told_at))
        wrong = [found.wrong.get(f, "") for f in told_at]
        if found.made is None:
            say = notice("Not worked out yet: see what is marked above. Nothing you typed is lost.")
            return say, True, None, None, *wrong
        shown = {"values": values, "made_at": made_at.isoformat()}
        return result_block(found.made, made_at.date()), False, shown, None, *wrong

    @app.callback(
        Output(id_of(procedure, "kept"), "children"),
        Output("rig-calibrations", "children", allow_duplicate=True),
        Output("rig-measures", "children", allow_duplicate=True),
        Input(id_of(procedure, "keep"), "n_clicks"),
        State(id_of(procedure, "shown"), "data"),
        *here,
        prevent_initial_call=True,
    )
    def kept(clicks: Any, shown: Any, *sent: Any) -> tuple[Any, ...]:
        if not clicks:
            return (no_update,) * 3
        try:
            logbook = _open(service)
            made = shown_again(procedure, shown, dict(zip(fields, sent, strict=True)), logbook)
            keep_calibration(logbook, made.calibration)
            # the button stays, so that a keyboard does not lose its place; the same again changes nothing
            return kept_block(made.calibration), *lists(logbook)
        except RigError as error:
            return notice(f"Not kept: {str(error).rstrip('.')}."), no_update, no_update

    filled = _filled_by_reading(procedure)

    @app.callback(
        Output(id_of(procedure, "read-said"), "children"),
        *(Output(id_of(procedure, f), "data" if f == "trace" else "value") for f in filled),
        Input(id_of(procedure, "read"), "n_clicks"),
        State("calibrate-port", "value"),
        *here,
        prevent_initial_call=True,
        running=[(Output(id_of(procedure, "read"), "disabled"), True, False)],
    )
    def read(clicks: Any, port: Any, *sent: Any) -> tuple[Any, ...]:
        if not clicks:
            return (no_update,) * (1 + len(filled))
        try:
            if request.environ.get(GUEST):
                raise RigError(ONLY_HERE)
            logbook = _open(service)
            if is_recording(recordings_beside(logbook.where)):
                raise RigError(RECORDING)
            device = chosen(every_device(service.devices), port)
            values = dict(zip(fields, sent, strict=True))
            if procedure in _PAIRED:
                row_to_fill(values)
            heard = read_port(
                device, PLUNGE_S if procedure is Procedure.PLUNGE else READ_S, decoders=service.decoders
            )
            said, new = filled_in(procedure, heard, values)
        except RigError as error:
            return notice(sentence(str(error))), *((no_update,) * len(filled))
        return notice(said, "know"), *(new.get(f, no_update) for f in filled)


def _filled_by_reading(procedure: Procedure) -> tuple[str, ...]:
    """The fields of a form that a reading may fill in."""
    if procedure is Procedure.MEASURE:
        return ("readings",)
    if procedure in _PAIRED:
        return (*(f for f in FIELDS[procedure] if f.startswith("shows-")), "device", "channel")
    return ("trace" if procedure is Procedure.PLUNGE else "readings", "device", "channel")


def filled_in(procedure: Procedure, heard: PortRead, values: Mapping[str, Any]) -> tuple[str, dict[str, Any]]:
    """What to say of a reading, and the fields that it fills in.

    Raises
    ------
    RigError
        It is not of what is calibrated here; there is no row for it.
    """
    way = WAYS[procedure]
    asked = "" if procedure is Procedure.MEASURE else str(values.get("channel") or "").strip()
    taken = Taken.of(heard, way.quantity, asked)
    if procedure is Procedure.MEASURE:
        return taken.words, {"readings": added(values.get("readings"), taken.mean)}
    device = named(values.get("device"), way.device, taken.device)
    new: dict[str, Any] = {"device": device, "channel": asked or taken.channel_to_write}
    if procedure is Procedure.PLUNGE:
        new["trace"] = taken.trace
    elif procedure in _PAIRED:
        new[f"shows-{row_to_fill(values)}"] = taken.mean
    else:
        new["readings"] = taken.readings
    return f"{taken.words} {name_words(device, taken.device)}".strip(), new


def shown_again(procedure: Procedure, shown: Any, values: Mapping[str, Any], logbook: Logbook) -> Made:
    """The calibration that is on the screen, from what was sent for it.

    Raises
    ------
    RigError
        There is none, or the fields have changed since.
    """
    if not isinstance(shown, Mapping) or not isinstance(shown.get("values"), Mapping):
        raise RigError("nothing is worked out yet. Work it out first")
    if dict(shown["values"]) != dict(values):
        raise RigError("what is typed has changed since this was worked out. Work it out again, then keep it")
    found: WorkedOut = work_out(procedure, values, made_at_of(shown.get("made_at"), now()), _held(logbook))
    if found.made is None:
        raise RigError("; ".join(found.wrong.values()) or "this is no calibration. Work it out again")
    return found.made


def _open(service: Service) -> Logbook:
    """The logbook, where somebody may write to it from here."""
    logbook = service.logbook
    if logbook is None or request.environ.get(GUEST):
        raise RigError(NO_LOGBOOK if logbook is None else ONLY_HERE)
    return logbook


def _held(logbook: Logbook) -> Callable[[str, str], Calibration | None]:
    return lambda device, channel: calibration_in_force(
        logbook, device, channel, CalibrationKind.TEMPERATURE, now().date()
    )


def result_block(made: Made, today: date) -> Any:
    """What a calibration says before it is kept: how far off, how sure, what that rests on, until when."""
    c = made.calibration
    days = (c.expires - today).days
    facts = [
        ("For", f"{c.device} {c.channel}".strip(), c.method),
        ("Uncertainty", f"± {_std(made)} {c.kind.unit}", "one standard uncertainty"),
        ("Holds until", f"{c.expires:%Y-%m-%d}", f"{days} days"),
    ]
    return html.Div(
        [
            html.H4(headline(made), className="calibrate-headline"),
            *(notice(f"Doubt: {sentence(d)}") for d in made.doubts),
            html.Dl(
                [
                    html.Div([html.Dt(what), html.Dd([value, html.Small(more)])])
                    for what, value, more in facts
                ],
                className="facts",
            ),
            _corrections(made),
            html.Ul(
                [html.Li(wording_of(s)) for s in (*_rests_on(made), *_to_say(made))], className="sentences"
            ),
        ],
        className="calibrate-result",
    )


def headline(made: Made) -> str:
    """What the calibration says first."""
    c = made.calibration
    if c.kind is CalibrationKind.LAG:
        return f"Shows what was {wording.number(float(c.apply(0.0)[0]), 1, 's')} ago: ± {_std(made)} s"
    if c.kind is CalibrationKind.VOLUME:
        return f"Holds {wording.number(float(c.apply(1.0)[0]), 2, 'ml')}: ± {_std(made)} ml"
    by, std = (float(x) for x in c.correction(made.here))
    unit = c.kind.unit
    known = next((f"the {p.name}" for p in c.points if p.name and p.raw == made.here), "")
    where = known or wording.number(made.here, 1, unit)
    if round(by, 2) == 0.0:
        return f"Shows neither too much nor too little at {where}: ± {_std(made)} {unit}"
    size, way = wording.number(abs(by), 2, unit), "much" if by < 0 else "little"
    off = f"Shows {size} too {way} at {where}: ± {_std(made)} {unit}"
    return f"{off}, as good as right" if abs(by) <= std else off


def _std(made: Made) -> str:
    return f"{float(made.calibration.apply(made.here)[1]):.2f}"


def _corrections(made: Made) -> Any:
    """What would be corrected, over the range in use."""
    c, unit = made.calibration, made.calibration.kind.unit
    rows = []
    for raw in made.at:
        value, std = (float(x) for x in c.apply(raw))
        by = value - raw
        sign = "+" if round(by, 2) > 0 else ""
        cells = (
            wording.number(value, 2, unit),
            f"{sign}{wording.number(by, 2, unit)}",
            f"± {std:.2f} {unit}",
        )
        rows.append((f"Shows {wording.number(raw, 1, unit)}", *cells))
    if not rows:
        return None
    return table(
        "What it would correct", ("Where it", "It is", "To add", "Uncertainty"), rows, "would-correct"
    )


def _rests_on(made: Made) -> list[str]:
    """What the uncertainty comes from, the largest part first."""
    parts = sorted((p for p in made.parts if p.std > 0), key=lambda p: -p.std)
    if not parts:
        return []
    unit = made.calibration.kind.unit
    said = ", ".join(f"{p.name} ± {wording.number(p.std, 3, unit)}" for p in parts)
    return [f"The uncertainty comes from: {said}."]


def _to_say(made: Made) -> Sequence[str]:
    """The sentences that neither the headline nor the table of corrections says already."""
    if made.calibration.kind is CalibrationKind.VOLUME:
        return made.sentences[1:]
    return [s for s in made.sentences if not s.startswith("Add ")]


def wording_of(text: str) -> str:
    """A sentence with true minus signs, and no number parted from its sign."""
    return text.replace(" -", " −").replace("± ", "±\u00a0")


def kept_block(c: Calibration) -> html.Div:
    """That it is kept, and where."""
    where = "rig-measures" if c.kind is CalibrationKind.VOLUME else "rig-calibrations"
    return html.Div(
        html.P(
            [
                f"Kept. {c.device} {c.channel}".rstrip() + f" holds until {c.expires:%Y-%m-%d}. ",
                html.A("See it in the list", href=f"#{where}"),
            ]
        ),
        className="notice know",
        role="note",
    )
