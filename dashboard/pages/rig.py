"""Rig: which devices are heard, how far they are to be believed, and whether the logbook is well."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime
from pathlib import Path
from typing import Any

from dash import Dash, Input, Output, dcc, html
from flask import request

from dashboard import wording
from dashboard.controls import aria, notice, table, waiting
from dashboard.headers import GUEST
from dashboard.live.care import Health, file_of, health_of
from dashboard.live.room import is_recording
from dashboard.page import Here, Page
from dashboard.pages import rig_calibrate
from dashboard.pages.live import CAUTIONS
from dashboard.pages.rig_calibrate import ONLY_HERE
from dashboard.params import address
from dashboard.reader_units import units_block
from dashboard.service import Service
from rig.capture.decoding.readings import Quantity
from rig.capture.devices.health import PortState
from rig.capture.devices.ports import every_device
from rig.capture.devices.ports_listen import Listened, listen_to_all
from rig.errors import RigError
from rig.logbook.calibrations import calibrations
from rig.logbook.copies import POSTGRES_WORDS, back_up, faults_of
from rig.logbook.outbox import Waiting, waiting_words
from rig.logbook.outbox import waiting as waiting_for
from rig.logbook.restoring import newest_whole, restore
from rig.logbook.store import Logbook
from rig.sensors.calibration import Calibration, CalibrationKind
from rig.session.cautions import FOOD, GLASS, PROBE, STEAM, WET
from rig.session.places import recordings_beside

SOON_DAYS = 14
NO_LOGBOOK = (
    "Shown is a bench folder: calibrations and backups belong to a logbook. Make one: chillrig import DIR"
)
SURE = (
    "Restore the newest backup that is whole? Runs stored since then will not be in the logbook. What is there now "
    "is kept beside the backups, so nothing is lost."
)
_MARKS = {
    PortState.OK: "✓ heard",
    PortState.ABSENT: "✕ not there",
    PortState.IN_USE: "△ in use by another program",
    PortState.NOT_ALLOWED: "✕ not allowed",
    PortState.REFUSED: "✕ refused",
    PortState.OPENING: "○ opening",
    PortState.SILENT: "○ silent",
    PortState.UNREADABLE: "△ not understood",
}
_UNITS = {Quantity.TEMPERATURE: "°C", Quantity.MASS: "g", Quantity.CADENCE: "Hz"}


def layout(here: Here) -> Any:
    """Devices, calibrations, measures, the logbook and the cautions; nothing is opened before it is asked for."""
    logbook = here.service.logbook
    if logbook is None:
        kept: list[Any] = [html.H2("Calibrations"), notice(NO_LOGBOOK, "know")]
    else:
        held, measures = lists(logbook)
        kept = [
            html.H2("Calibrations"),
            html.Div(held, id="rig-calibrations"),
            html.H2("Measures"),
            html.Div(measures, id="rig-measures"),
            rig_calibrate.layout(here),
            html.H2("Logbook"),
            html.Div(None if here.guest else health_block(_health(here.service, logbook)), id="rig-health"),
            *([] if here.guest or (left := waiting_for(logbook)) is None else [waiting_line(left)]),
            html.Div(
                [
                    html.Button("Check that it is whole", id="rig-check", className="quiet-do"),
                    html.Button("Make a backup", id="rig-backup", className="do"),
                    html.Button("Restore the last backup", id="rig-restore", className="quiet-do"),
                ],
                className="live-acts",
            )
            if file_of(logbook) is not None and not here.guest
            else html.P(ONLY_HERE if here.guest else POSTGRES_WORDS),
            dcc.ConfirmDialog(id="rig-restore-sure", message=SURE),
            waiting(html.Div(id="rig-cared", **aria(live="polite")), "Reading the logbook …"),
        ]
    return html.Div(
        [
            html.H1("Rig"),
            html.P("Devices, calibrations and the logbook of this computer.", className="lead"),
            html.H2("Ports"),
            html.P("Listening opens every port for up to some seconds, which makes many boards start anew."),
            html.Button("Listen to all ports", id="rig-listen", className="do"),
            waiting(html.Div(id="rig-ports", **aria(live="polite")), "Listening …"),
            html.P(
                dcc.Link(
                    "What to measure with next, and what it brings", href=address("/rig/kit", bench=here.kept)
                ),
                className="ways-on",
            ),
            *kept,
            units_block(),
            html.H2("Mind"),
            html.Ul([html.Li(c) for c in (CAUTIONS, WET, STEAM, GLASS, PROBE, FOOD)], className="sentences"),
            dcc.Store(id="rig-bench", data=here.kept),
        ],
        className="rig-page",
    )


def _health(service: Service, logbook: Logbook) -> Health:
    """The logbook's health, its runs counted once in a look."""
    with service.one_look():
        return health_of(logbook, [service.listing(name).tally(name).runs for name in service.names()])


def lists(logbook: Logbook) -> tuple[list[Any], list[Any]]:
    """Calibrations of probes and scales, and measures, as they now stand."""
    today, found = datetime.now().astimezone().date(), newest(calibrations(logbook))
    return (
        calibration_block([c for c in found if c.kind is not CalibrationKind.VOLUME], today),
        measure_block([c for c in found if c.kind is CalibrationKind.VOLUME], today),
    )


def register(app: Dash, service: Service) -> None:
    """Listen, calibrate, check and copy when asked."""
    rig_calibrate.register(app, service, lists)

    @app.callback(Output("rig-ports", "children"), Input("rig-listen", "n_clicks"), prevent_initial_call=True)
    def heard(_clicks: int) -> Any:
        if request.environ.get(GUEST):
            return notice(ONLY_HERE)
        if service.logbook is not None and is_recording(recordings_beside(service.logbook.where)):
            return notice(
                "A drink is being recorded; opening its ports now would disturb it. Listen afterwards."
            )
        try:
            return port_block(listen_to_all(every_device(service.devices), service.decoders))
        except RigError as error:
            return notice(str(error))

    @app.callback(
        Output("rig-cared", "children"),
        Output("rig-health", "children"),
        Input("rig-check", "n_clicks"),
        Input("rig-backup", "n_clicks"),
        Input("rig-restore-sure", "submit_n_clicks"),
        prevent_initial_call=True,
    )
    def cared(_checked: Any, _copied: Any, _restored: Any) -> tuple[Any, Any]:
        from dash import ctx, no_update

        logbook = service.logbook
        file = None if logbook is None else file_of(logbook)
        if logbook is None or file is None:
            return notice(NO_LOGBOOK if logbook is None else POSTGRES_WORDS, "know"), no_update
        if request.environ.get(GUEST):
            return notice(ONLY_HERE), no_update
        try:
            if ctx.triggered_id == "rig-backup":
                copy = back_up(file, datetime.now().astimezone())
                return notice(
                    f"Copied and checked: {copy}. Keep one copy on another disk.", "know"
                ), health_block(_health(service, logbook))
            if ctx.triggered_id == "rig-restore-sure":
                return notice(restored_words(service, file), "know"), health_block(_health(service, logbook))
            return whole_block(faults_of(file)), no_update
        except RigError as error:
            return notice(str(error)), no_update

    app.clientside_callback(
        "function (clicks) { return Boolean(clicks); }",
        Output("rig-restore-sure", "displayed"),
        Input("rig-restore", "n_clicks"),
        prevent_initial_call=True,
    )


def restored_words(service: Service, file: Path) -> str:
    """Put the newest whole copy in the logbook's place; what was done, in words.

    Raises
    ------
    RigError
        There is none; a drink is being recorded; another program has the logbook open.
    """
    if is_recording(recordings_beside(str(file))):
        raise RigError("a drink is being recorded. Keep or discard it first")
    copy = newest_whole(file)
    with service.logbook_left():
        done = restore(file, copy, datetime.now().astimezone())
    kept = "" if done.kept is None else f" What was there before is kept whole in {done.kept}."
    return f"Restored {copy.name}.{kept} Bring in again what was made since."


def port_block(found: list[Listened]) -> Any:
    """Every port with what it says, or why nothing is heard."""
    if not found:
        return notice(
            "No device is plugged in. A board that should be here: check its cable (some carry no data), then its "
            "driver. Without any, the page Live has simulated ones.",
            "know",
        )
    rows = [(h.device.address, device_words(h), _MARKS[h.state], reading_words(h)) for h in found]
    return table(
        f"{len(found)} port{'' if len(found) == 1 else 's'}", ("Port", "Device", "State", "It says"), rows
    )


def device_words(h: Listened) -> str:
    """Which device it is."""
    if h.identity is not None:
        return f"{h.identity.board} ({h.identity.firmware})"
    return f"{h.device.description}{'' if h.device.usb is None else f', {h.device.usb}'}"


def reading_words(h: Listened) -> str:
    """What it says, with units; else why nothing is understood."""
    if h.reading is None:
        return h.words
    values = [f"{s.channel} {s.value:g} {_UNITS.get(s.quantity, '')}".strip() for s in h.reading.samples]
    return f"{', '.join(values)} · {h.dialect} at {h.baud} baud"


def newest(found: Iterable[Calibration]) -> list[Calibration]:
    """The newest calibration of every channel and kind, by device; older ones stay in the logbook."""
    out: dict[tuple[str, str, str], Calibration] = {}
    for c in found:
        key = (c.device, c.channel, c.kind.value)
        if key not in out or c.when > out[key].when:
            out[key] = c
    return [out[key] for key in sorted(out)]


def standing(c: Calibration, today: date) -> tuple[str, str]:
    """Whether a calibration holds, as a mark with its word, and what to do about it."""
    left = (c.expires - today).days
    if left <= 0:
        return (
            "✕ expired",
            f"{-left} days ago: calibrate again before you rely on it" if left else "today: calibrate again",
        )
    if left <= SOON_DAYS:
        return "△ expires soon", f"in {left} day{'' if left == 1 else 's'}: calibrate again soon"
    return "✓ holds", f"for {left} days"


def calibration_block(found: list[Calibration], today: date) -> list[Any]:
    """Probes and scales, with the warnings first."""
    if not found:
        return [
            notice(
                "Nothing is calibrated yet. The cheapest point is crushed ice: Calibrate below says how.",
                "know",
            )
        ]
    rows = [
        (
            f"{c.device} {c.channel}".strip(),
            c.kind.value,
            correction_words(c),
            c.method,
            wording.when(c.when.astimezone()),
            *standing(c, today),
        )
        for c in found
    ]
    heads = ("Device", "What", "Correction", "By", "Made", "Standing", "To do")
    return [*_warnings(found, today), table("The newest of each channel", heads, rows)]


def measure_block(found: list[Calibration], today: date) -> list[Any]:
    """Scoops and cups: what one filling holds."""
    if not found:
        return [
            notice(
                "No scoop or cup is measured yet. Weigh ten fillings of water: Calibrate below says how.",
                "know",
            )
        ]
    rows = []
    for c in found:
        value, std = (float(v) for v in c.apply(1.0))
        rows.append(
            (
                c.device,
                f"{value:.1f} ± {std:.1f} ml",
                c.method,
                wording.when(c.when.astimezone()),
                *standing(c, today),
            )
        )
    return [
        *_warnings(found, today),
        table("One filling of each measure", ("Measure", "Holds", "By", "Made", "Standing", "To do"), rows),
    ]


def correction_words(c: Calibration) -> str:
    """What the calibration does to a reading, in the middle of where it was made."""
    if c.kind is CalibrationKind.LAG:
        value, std = (float(v) for v in c.apply(0.0))
        return f"{value:.1f} ± {std:.1f} s behind"
    ends = c.raw_range or (c.origin, c.origin)
    middle = sum(ends) / 2.0
    by, std = (float(v) for v in c.correction(middle))
    sign = "+" if round(by, 2) > 0 else ""
    return f"{sign}{wording.number(by, 2, '')}± {std:.2f} {c.kind.unit} at {middle:.4g}"


def _warnings(found: list[Calibration], today: date) -> list[Any]:
    due = [c for c in found if (c.expires - today).days <= SOON_DAYS]
    if not due:
        return []
    said = "; ".join(f"{c.device} {c.channel}".strip() + f" ({standing(c, today)[0][2:]})" for c in due)
    return [notice(f"Calibrate again soon: {said}.")]


def health_block(h: Health) -> Any:
    """Where the logbook is, how large, and when it was last copied."""
    file = None if h.size_bytes is None else Path(h.where)
    facts = [
        ("Where", h.where, "") if file is None else ("Where", file.name, f"in {file.parent}"),
        ("Size", "–" if h.size_bytes is None else f"{h.size_bytes / 1e6:.1f} MB", ""),
        (
            "Runs",
            f"{h.runs:,}".replace(",", "\u202f"),
            f"on {h.benches} bench{'' if h.benches == 1 else 'es'}",
        ),
    ]
    if h.size_bytes is not None:
        last = "never" if h.last_backup is None else wording.when(h.last_backup)
        facts.append(
            ("Last backup", last, "make one now" if h.last_backup is None else "kept beside the logbook")
        )
    return html.Dl(
        [html.Div([html.Dt(what), html.Dd([value, html.Small(more)])]) for what, value, more in facts],
        className="facts",
    )


def waiting_line(left: Waiting) -> Any:
    """What waits for the logbook that venues share, and since when."""
    return html.P(waiting_words(left), className="quiet", id="rig-waiting")


def whole_block(faults: tuple[str, ...]) -> Any:
    """What SQLite's check found."""
    if not faults:
        return notice("The logbook is whole: SQLite's integrity check found nothing.", "know")
    return notice(f"The logbook is damaged: {faults[0]}. Make no more runs; restore the last backup, below")


PAGE = Page("/rig", "Rig", layout, register, needs_bench=False)
