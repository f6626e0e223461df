"""The forms that calibrating is done by: what to mind, what to do, what to type; one a way of calibrating."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dash import dcc, html

from dashboard.controls import choice, names, waiting, written
from dashboard.questions.calibrate import ROWS, TOLD_AT, Pressure, Procedure
from dashboard.questions.calibrate_reading import PLUNGE_S, READ_S
from rig.capture.decoding.readings import Quantity
from rig.sensors.calibration import CalibrationKind
from rig.sensors.water_weighing import EXPANSION_PER_K
from rig.session import cautions


@dataclass(frozen=True)
class Way:
    """How a way of calibrating is told: its name, what to do, what to mind, and what is usual.

    `read`: what its button to read from a port says. `step`: the smallest step usually shown; "" where the form
    does not ask.
    """

    words: str
    kind: CalibrationKind
    steps: tuple[str, ...]
    cautions: tuple[str, ...]
    device: str
    quantity: Quantity
    read: str
    step: str = ""


WAYS: Mapping[Procedure, Way] = {
    Procedure.ICE: Way(
        "Probe in ice",
        CalibrationKind.TEMPERATURE,
        (
            "Fill an insulated cup to the brim with crushed ice, then with cold water to just below it.",
            "Stir. Put the tip in the middle of the ice, clear of bottom and wall, and wait two minutes.",
            "Read a few times. Cubes afloat in water will not do: the bottom of such a glass stands at 2 to 4 °C.",
        ),
        cautions.AT_ICE,
        "probe",
        Quantity.TEMPERATURE,
        "Read it now",
        "0.1",
    ),
    Procedure.BOILING: Way(
        "Probe in boiling water",
        CalibrationKind.TEMPERATURE,
        (
            "Bring a pot of water to a rolling boil.",
            "Hold the tip in it, clear of the bottom, until the reading stands.",
            "Read a few times. An ice point that still holds is taken along: the two make a line.",
        ),
        cautions.AT_BOILING,
        "probe",
        Quantity.TEMPERATURE,
        "Read it now",
        "0.1",
    ),
    Procedure.POINTS: Way(
        "Probe beside a better one",
        CalibrationKind.TEMPERATURE,
        (
            "Hold both tips together in a stirred bath, and wait until both stand.",
            "Type what the better one says as true, then what yours shows, or read it now.",
            "Do so at three temperatures or more, spread over what you work at.",
        ),
        cautions.IN_A_BATH,
        "probe",
        Quantity.TEMPERATURE,
        "Read it now",
    ),
    Procedure.PLUNGE: Way(
        "Probe's lag, by a plunge",
        CalibrationKind.LAG,
        (
            "Have ice water ready and moving: somebody stirs it, or you do with the other hand.",
            "Hold the probe dry, in the air of the room, until it stands.",
            f"Press Listen. Wait five seconds, plunge it, keep the water moving until the {PLUNGE_S:.0f} s are over.",
        ),
        cautions.AT_A_PLUNGE,
        "probe",
        Quantity.TEMPERATURE,
        f"Listen for {PLUNGE_S:.0f} s",
    ),
    Procedure.WEIGHTS: Way(
        "Scale, by check weights",
        CalibrationKind.MASS,
        (
            "Let the scale warm up for ten minutes. The empty pan counts as a weight of 0.",
            "Put a weight on, type it as true, then what the scale shows, or read it now.",
            "Use three weights or more, up to what you weigh: a tin with drink and ice.",
        ),
        cautions.OF_WEIGHTS,
        "scale",
        Quantity.MASS,
        "Read it now",
        "1",
    ),
    Procedure.MEASURE: Way(
        "Scoop, cup or bottle mark",
        CalibrationKind.VOLUME,
        (
            "Put the dry, empty measure on the scale and set it to zero.",
            "Fill it as you do at work, with water; weigh. Each reading is one filling.",
            "Empty and dry it, and again: three times at least, ten are better.",
        ),
        cautions.OF_A_MEASURE,
        "jigger",
        Quantity.MASS,
        "Read this filling now",
        "0.1",
    ),
}
_PRESSURES = {
    Pressure.WEATHER: "altitude and weather report",
    Pressure.PLACE: "pressure at the place",
    Pressure.ALTITUDE: "altitude only",
}


def id_of(procedure: Procedure, name: str) -> str:
    """The id of a part of a form."""
    return f"calibrate-{procedure}-{name}"


def form(procedure: Procedure) -> html.Section:
    """One form; the result and what it asks to keep come below."""
    way = WAYS[procedure]
    return html.Section(
        [
            html.H3(way.words),
            html.Div(
                [html.H4("Mind"), html.Ul([html.Li(c) for c in way.cautions])],
                className="notice mind",
                role="note",
            ),
            html.Ol([html.Li(s) for s in way.steps], className="levers"),
            *_FIELDS[procedure](procedure, way),
            html.Button("Work it out", id=id_of(procedure, "work"), className="do"),
            html.Div(id=id_of(procedure, "result"), role="status"),
            html.Button("Keep", id=id_of(procedure, "keep"), className="do", hidden=True),
            html.Div(id=id_of(procedure, "kept"), role="status"),
            dcc.Store(id=id_of(procedure, "shown")),
        ],
        id=id_of(procedure, "form"),
        className=f"calibrate-form of-{procedure}",
    )


def _told(procedure: Procedure, name: str) -> html.P:
    """Where what is wrong with a field is told."""
    assert name in TOLD_AT[procedure]
    return html.P(id=id_of(procedure, f"{name}-wrong"), className="first-caution wrong", role="alert")


def _line(
    procedure: Procedure, name: str, label: str, value: str = "", hint: str = "", mode: str = "text"
) -> html.Div:
    return html.Div(
        [written(id_of(procedure, name), label, value, hint, mode), _told(procedure, name)],
        className="calibrate-field",
    )


def _choice(
    procedure: Procedure, name: str, label: str, options: list[tuple[str, str]], value: str
) -> html.Div:
    return html.Div([choice(id_of(procedure, name), label, options, value), _told(procedure, name)])


def _read(procedure: Procedure) -> html.Div:
    """The button that listens, and what it heard."""
    way = WAYS[procedure]
    seconds = PLUNGE_S if procedure is Procedure.PLUNGE else READ_S
    during = "plunge after five seconds" if procedure is Procedure.PLUNGE else "keep it still"
    return html.Div(
        [
            html.Button(way.read, id=id_of(procedure, "read"), className="quiet-do"),
            waiting(
                html.Div(id=id_of(procedure, "read-said"), role="status"),
                f"Listening for {seconds:.0f} s once it is heard: {during} …",
            ),
        ],
        className="calibrate-read",
    )


def _readings(procedure: Procedure, label: str, hint: str) -> html.Div:
    # a phone's keypad for decimals has neither a space nor a minus
    return html.Div([_line(procedure, "readings", label, hint=hint), _read(procedure)])


def _label(procedure: Procedure, way: Way) -> list[Any]:
    """What stands on the calibration's label; a measure has no channel."""
    days = _line(
        procedure, "days", "Holds for [days]", hint=f"Empty: {way.kind.valid_days} days.", mode="numeric"
    )
    if procedure is Procedure.MEASURE:
        hint = "By the name you give it, as: 30 ml jigger."
        named = [_line(procedure, "device", "Which measure", way.device, hint)]
    else:
        hint = "As recordings call it: its board's name, else its port. Reading it fills that in."
        named = [
            _line(procedure, "device", "Device", way.device, hint),
            _line(procedure, "channel", "Channel", hint="Only where it has several; empty: all of a kind."),
        ]
    return [html.Div([*named, days], className="calibrate-fields")]


def _step(procedure: Procedure, way: Way, label: str) -> html.Div:
    return _line(procedure, "step", label, way.step, "One unit of its last digit.", "decimal")


def _ice(procedure: Procedure, way: Way) -> list[Any]:
    return [
        _readings(procedure, "The probe shows [°C]", "A few readings with a space between: 0.3 0.2 0.3"),
        html.Div(_step(procedure, way, "Smallest step it shows [°C]"), className="calibrate-fields"),
        *_label(procedure, way),
    ]


def _boiling(procedure: Procedure, way: Way) -> list[Any]:
    knowing = [(p.value, said) for p, said in _PRESSURES.items()]
    return [
        _choice(procedure, "knowing", "The pressure is known by", knowing, Pressure.WEATHER),
        html.Div(
            [
                html.Div(
                    _line(procedure, "altitude", "Altitude of the place [m]", mode="text"),
                    className="by-altitude",
                ),
                html.Div(
                    _line(
                        procedure,
                        "sea-level",
                        "Weather report's pressure [hPa]",
                        hint="Today's, which reports give as at sea level.",
                        mode="decimal",
                    ),
                    className="by-weather",
                ),
                html.Div(
                    _line(
                        procedure,
                        "pressure",
                        "Pressure at the place [hPa]",
                        hint="Of a barometer here, not reduced to sea level.",
                        mode="decimal",
                    ),
                    className="by-place",
                ),
            ],
            className="calibrate-fields",
        ),
        html.P("The weather alone moves the boiling point by half a degree.", className="by-guess quiet"),
        _readings(procedure, "The probe shows [°C]", "A few readings with a space between: 99.1 99.0"),
        html.Div(_step(procedure, way, "Smallest step it shows [°C]"), className="calibrate-fields"),
        *_label(procedure, way),
    ]


def _pairs(procedure: Procedure, true: str, unit: str, first: str = "") -> html.Fieldset:
    rows = [
        html.Div(
            [
                written(
                    id_of(procedure, f"true-{n}"),
                    f"{n + 1}. {true} [{unit}]",
                    "" if n else first,
                    mode="text",
                ),
                written(id_of(procedure, f"shows-{n}"), f"{n + 1}. Shows [{unit}]", mode="text"),
            ],
            className="calibrate-pair",
        )
        for n in range(ROWS)
    ]
    return html.Fieldset([html.Legend("What is true, and what it shows"), *rows, _told(procedure, "pairs")])


def _points(procedure: Procedure, way: Way) -> list[Any]:
    std = _line(
        procedure,
        "std",
        "A pair may be off by [°C]",
        hint="One standard uncertainty; empty: from the scatter of three pairs or more.",
        mode="decimal",
    )
    return [
        _pairs(procedure, "True", "°C"),
        _read(procedure),
        html.Div(std, className="calibrate-fields"),
        *_label(procedure, way),
    ]


def _plunge(procedure: Procedure, way: Way) -> list[Any]:
    return [
        _read(procedure),
        dcc.Store(id=id_of(procedure, "trace")),
        _told(procedure, "trace"),
        html.P(["A trace in a file: ", html.Code("chillrig calibrate plunge FILE")], className="quiet"),
        *_label(procedure, way),
    ]


def _weights(procedure: Procedure, way: Way) -> list[Any]:
    tolerance = _line(
        procedure,
        "tolerance",
        "Weights may be off by [%]",
        "0.1",
        "Of each, as printed with them.",
        "decimal",
    )
    return [
        _pairs(procedure, "Weight", "g", "0"),
        _read(procedure),
        html.Div(
            [_step(procedure, way, "Smallest step it shows [g]"), tolerance], className="calibrate-fields"
        ),
        *_label(procedure, way),
    ]


def _measure(procedure: Procedure, way: Way) -> list[Any]:
    return [
        _readings(procedure, "Water in each filling [g]", "With a space between: 29.6 29.8 29.5"),
        _choice(procedure, "made-of", "It is made of", names(tuple(EXPANSION_PER_K)), "steel"),
        html.Div(
            [
                _line(procedure, "water", "Water [°C]", "20", "Water that has stood in the room.", "decimal"),
                _step(procedure, way, "Smallest step of the scale [g]"),
                _line(
                    procedure, "air", "Pressure at the place [hPa]", hint="Empty: 1013.25.", mode="decimal"
                ),
            ],
            className="calibrate-fields",
        ),
        *_label(procedure, way),
    ]


_FIELDS = {
    Procedure.ICE: _ice,
    Procedure.BOILING: _boiling,
    Procedure.POINTS: _points,
    Procedure.PLUNGE: _plunge,
    Procedure.WEIGHTS: _weights,
    Procedure.MEASURE: _measure,
}
