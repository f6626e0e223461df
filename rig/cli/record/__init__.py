"""`chillrig record`: one drink from empty vessel to glass, live from probe and scale."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.cli.options import AsJson, BenchFolder, BenchName, Dialects, Logbook, example
from rig.cli.printing import say
from rig.errors import ModelRangeError, NotEnoughData, RigError, TableRefused
from rig.names import refuse_unclear
from rig.session.places import new_logbook_at, recordings_beside

if TYPE_CHECKING:
    from rig.advice.live.live import LiveCall
    from rig.advice.live.verdict import Landing
    from rig.capture.decoding.readings import Decoder
    from rig.capture.devices.simulated.drink import Hands
    from rig.capture.recording.recorder_files import Files, Plan
    from rig.capture.to_run.calibrated import InForce
    from rig.capture.to_run.intake import Recorded
    from rig.cli.record.asked import Drink
    from rig.cli.record.result import Offered
    from rig.fitting.result import Fit
    from rig.logbook.store import Logbook as OpenLogbook
    from rig.runs import Run
    from rig.session.advisor import Prepare
    from rig.session.drink import Session
    from rig.session.probe import ProbeWatch
    from rig.session.way import Way

EXAMPLE = example(
    "chillrig record --simulated",
    "chillrig record --bench my-bar --recipe 'quayside black' --duration-s 12",
    "chillrig record --bench my-bar --target coupe --blind --session tuesday",
    "chillrig record --bench my-bar --target coupe --hear",
    "chillrig record --port /dev/ttyUSB0@9600 --port /dev/ttyACM0",
)


def command(
    bench: BenchFolder = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    technique: Annotated[str, typer.Option(help="Technique: shake, stir, blend, swirl, build.")] = "shake",
    vessel: Annotated[
        str | None, typer.Option(help="The vessel; may be left out where there is one.")
    ] = None,
    ice: Annotated[str | None, typer.Option(help="The ice; may be left out where there is one.")] = None,
    recipe: Annotated[str | None, typer.Option(help="The drink; may be left out where there is one.")] = None,
    target: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="The target it is made for; simulated: default the bench's first."),
    ] = None,
    operator: Annotated[str | None, typer.Option(help="Who makes it.")] = None,
    session: Annotated[str | None, typer.Option(help="The session it belongs to.")] = None,
    run: Annotated[
        str | None, typer.Option(metavar="NAME", help="The run's name; default: the time.")
    ] = None,
    ice_mass_g: Annotated[float | None, typer.Option(help="The ice to weigh in [g].")] = None,
    ice_temp_c: Annotated[float | None, typer.Option(help="The ice [°C].")] = None,
    room_temp_c: Annotated[float | None, typer.Option(help="The room [°C].")] = None,
    probe_in_drink: Annotated[
        bool, typer.Option(help="The probe is in the drink before the motion: take its temperature there.")
    ] = False,
    blind: Annotated[
        bool,
        typer.Option("--blind", help="Rehearse by feel: the call and the numbers are hidden until you stop."),
    ] = False,
    duration_s: Annotated[
        float | None,
        typer.Option(
            min=0.1, help="Stop after this long [s]; default: when you stop; --yes: when it is called."
        ),
    ] = None,
    hear: Annotated[
        bool,
        typer.Option(
            "--hear", help="Start and stop by this computer's microphone; of its sound nothing is kept."
        ),
    ] = False,
    port: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PORT[@BAUD][=DIALECT]", help="Record from this port; default: all that are heard."
        ),
    ] = None,
    dialects: Dialects = None,
    simulated: Annotated[
        bool,
        typer.Option(
            help="Record from devices that are only simulated; such a run is marked, and in no fit."
        ),
    ] = False,
    seed: Annotated[int, typer.Option(help="Which simulated drink.")] = 1,
    world: Annotated[
        int | None,
        typer.Option(
            help="Make the simulated drink in another world of this number; default: the bench's own."
        ),
    ] = None,
    time_scale: Annotated[
        float, typer.Option(min=0.1, max=100, help="How much faster than the clock the simulated one runs.")
    ] = 1.0,
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing: take what the scale shows, start by itself.")
    ] = False,
    recover: Annotated[
        bool, typer.Option(help="Only bring in what an earlier, interrupted recording left.")
    ] = False,
    follow: Annotated[
        bool, typer.Option("--follow", help="Follow a recording that goes on since only its screen has died.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Record one drink: weigh in, move, weigh out; every reading is on disk within a tenth of a second.

    What an earlier recording left behind when it was interrupted is offered first.
    """
    from rig.capture.decoding.dialects import load
    from rig.capture.recording.recorder_files import Plan
    from rig.capture.recording.taken_over import going_on
    from rig.capture.to_run.calibrated import InForce
    from rig.cli.record.asked import drink_asked, meta_of, watch_of, way_of
    from rig.cli.record.following import left_going_on
    from rig.cli.record.result import print_recovered, print_result, session_score
    from rig.cli.source import fitted_or_prior
    from rig.logbook.calibrations import calibrations
    from rig.logbook.store import open_logbook
    from rig.session.devices import ports_of, simulated_devices
    from rig.session.simulated_drink import simulated_drink

    files = [str(f) for f in dialects or ()]
    decoders = load(files)
    at = new_logbook_at(logbook)
    folder = recordings_beside(at)
    if yes and not recover and duration_s is None and target is None and not simulated:
        raise typer.BadParameter("--yes needs --duration-s or --target, for nobody is asked when to stop")
    if blind and (yes or duration_s is not None):
        raise typer.BadParameter("--blind is stopped by feel: leave --yes and --duration-s out")
    if hear and time_scale != 1.0:
        raise typer.BadParameter("what is heard keeps the clock's time: leave --time-scale out with --hear")
    if world is not None and not simulated:
        raise typer.BadParameter("--world is of simulated devices: give --simulated as well")
    with ExitStack() as stack:
        opened = stack.enter_context(open_logbook(at))
        running = going_on(folder)
        if follow or (running and not (recover or as_json or yes) and _wanted(running[-1])):
            _followed(left_going_on(folder), opened, decoders, as_json)
            return
        if running and not recover:
            raise RigError(
                "a drink is still being recorded, though its screen has died. Go on with it: chillrig record --follow; "
                "or end it and bring it in: chillrig record --recover"
            )
        asked = not (yes or recover or as_json)
        left = _offered(folder, opened, decoders, take=recover or yes, end=recover, ask=asked)
        if recover:
            print_recovered(left, opened.where, as_json)
            return
        made = drink_asked(bench, logbook, bench_name, technique, vessel, ice, recipe, target, simulated)
        if made.bench_name not in (there := [b.name for b in opened.benches()]):
            refuse_unclear("bench", [made.bench_name], there)
        refuse_unclear("run", [] if run is None else [run])
        given = {
            "run": run or f"{datetime.now().astimezone():%y%m%d-%H%M%S}",
            "technique": technique,
            "vessel": made.vessel,
            "ice": made.ice,
            "recipe": made.recipe,
            "target": made.target,
            "operator": operator,
            "session": session,
            "ice_temp_c": ice_temp_c,
            "room_temp_c": room_temp_c,
        }
        scale = time_scale if simulated else 1.0
        watch = watch_of(made, probe_in_drink or simulated, scale)
        fit = fitted_or_prior(made.source, as_json) if simulated or made.target is not None else None
        hands: Hands | None = None
        try:
            if simulated and fit is not None:
                situation = replace(
                    made.situation, ice_mass_g=ice_mass_g, ice_temp_c=ice_temp_c, room_temp_c=room_temp_c
                )
                drink = simulated_drink(fit, situation, seed, world)
                hands, ports = stack.enter_context(simulated_devices(drink, scale))
            else:
                ports = ports_of(port, decoders)
        except ModelRangeError as error:
            raise typer.BadParameter(str(error)) from error
        way = way_of(made, ice_mass_g, duration_s)
        done = _record(
            Plan(
                folder,
                ports,
                meta_of(made, given, way, watch, simulated=simulated, blind=blind),
                time_scale=scale,
                dialect_files=tuple(files),
            ),
            way,
            hands,
            _prepare(made, given, fit, watch.in_drink, keep=not simulated),
            decoders,
            watch,
            InForce(calibrations(opened), datetime.now(UTC).date()),
            by_itself=yes,
            quiet=as_json,
            blind=blind,
            hear=hear,
        )
        recorded, landing = _taken_in(done, opened, decoders, fit)
        score = None if fit is None else session_score(fit, opened, recorded)
        print_result(recorded, landing, score, done, opened.where, left, as_json)


def _prepare(
    made: Drink, given: dict[str, Any], fit: Fit | None, in_drink: bool, *, keep: bool
) -> Prepare | None:
    """What makes the live call once all is weighed in; None where there is no target.

    `keep`: the call as it stands before the start goes into the logbook that the fit is of, if any.
    """
    from rig.session.advisor import preparing

    if made.target is None or fit is None:
        return None
    goal = made.source.book.bench.target(made.target)

    def called(call: LiveCall) -> None:
        from rig.advice.check.call_log import AskedFrom, keep_live

        if keep and made.source.logbook is not None:
            # beside the drink, which waits for no database; the program ends when it is written
            asked = made.source.logbook, made.source.name, call, fit, AskedFrom.RECORD, datetime.now(UTC)
            Thread(target=keep_live, args=asked).start()

    return preparing(fit, goal, given, in_drink, called)


def _record(
    plan: Plan,
    way: Way,
    hands: Hands | None,
    prepare: Prepare | None,
    decoders: dict[str, Decoder],
    watch: ProbeWatch,
    held: InForce,
    *,
    by_itself: bool,
    quiet: bool,
    blind: bool,
    hear: bool,
) -> Session:
    from rig.capture.devices.microphone import microphone
    from rig.capture.recording.follow import Follower
    from rig.capture.recording.process import start_recording
    from rig.capture.recording.recorder import free_bytes
    from rig.capture.recording.recorder_files import LEAST_FREE_BYTES
    from rig.capture.to_run.calibrated import Heard
    from rig.cli.record.keys import run_session, terminal_keys
    from rig.cli.record.view import live_view
    from rig.session.drink import Session
    from rig.session.ear import listener

    with ExitStack() as stack:
        # what is not there is said before anything is recorded
        listen = listener(*stack.enter_context(microphone())) if hear else lambda session: None
        recording, keys = stack.enter_context(start_recording(plan)), stack.enter_context(terminal_keys())
        if not quiet and free_bytes(plan.folder) < LEAST_FREE_BYTES:
            say(f"Less than {LEAST_FREE_BYTES // 1024**2} MB are free at {plan.folder}: make room soon.")
        session = Session(
            recording,
            Follower(plan.files.journal, decoders),
            way,
            by_itself=by_itself,
            by_ear=hear,
            blind=blind,
            prepare=prepare,
            heard=Heard(held),
            watch=watch,
            hands=hands,
            ring=lambda: print("\a", end="", file=sys.stderr, flush=True),
        )
        with live_view(sys.stdout.isatty() and not quiet) as show:
            run_session(session, keys.wait, show, 0.05 / max(plan.time_scale, 1.0), listen)
    return session


def _taken_in(
    session: Session, logbook: OpenLogbook, decoders: dict[str, Decoder], fit: Fit | None
) -> tuple[Recorded, Landing | None]:
    """The run in the logbook, and whether it landed."""
    from rig.advice.live.verdict import landing_of, with_landing
    from rig.capture.to_run.intake import take_in
    from rig.logbook.calibrations import calibrations

    files = session.recording.files
    if not session.started:
        files.set_done()
        raise RigError(
            f"ended before the drink was shaken or stirred: no run was stored; what was read is in {files.done}"
        )
    landing: Landing | None = None

    def remark(run: Run) -> Run:
        nonlocal landing
        landing = None if fit is None else landing_of(fit, run)
        return with_landing(run, landing)

    try:
        return take_in(files, logbook, decoders, calibrations(logbook), remark), landing
    except RigError as error:
        raise RigError(
            f"{error}. What was recorded is kept in {files.journal}: once that is mended, chillrig record --recover"
        ) from error


def _followed(files: Files, logbook: OpenLogbook, decoders: dict[str, Decoder], as_json: bool) -> None:
    """Go on with a drink whose screen has died, and bring it in where it is done."""
    from rig.cli.record.following import follow
    from rig.cli.record.result import print_result, session_score

    made = follow(files, decoders, logbook, as_json)
    if made is None:
        say("Left going on. Go on with it: chillrig record --follow")
        return
    session, fit = made
    recorded, landing = _taken_in(session, logbook, decoders, fit)
    score = None if fit is None else session_score(fit, logbook, recorded)
    print_result(recorded, landing, score, session, logbook.where, [], as_json)


def _wanted(running: Files) -> bool:
    """Whether whoever asks to record wants to go on with what is being recorded."""
    from rig.session.resumed import begun_in

    if not sys.stdin.isatty():
        return False
    given = begun_in(running).given
    drink = f"{given['recipe']}, {given['technique']} in {given['vessel']} on {given['ice']}"
    return typer.confirm(
        f"Still being recorded, though its screen has died: {drink}. Go on with it?", default=True
    )


def _offered(
    folder: Path, logbook: OpenLogbook, decoders: dict[str, Decoder], *, take: bool, end: bool, ask: bool
) -> Offered:
    """What an interruption left, and what came of offering it; `end`: also what still goes on."""
    from rig.capture.recording.process import interrupted_runs
    from rig.capture.to_run.intake import take_in
    from rig.logbook.calibrations import calibrations

    found: Offered = []
    for left in interrupted_runs(folder):
        wanted = (take and (end or not left.running)) or (
            ask
            and sys.stdin.isatty()
            and typer.confirm(f"Interrupted: {left.in_words}. Bring it in?", default=True)
        )
        if not wanted:
            found.append((left, None))
            continue
        try:
            found.append((left, take_in(left.files, logbook, decoders, calibrations(logbook))))
        except (NotEnoughData, TableRefused) as error:
            # There is no run in it, and never will be: it is put aside, so that it is not offered again.
            left.files.set_done()
            found.append((left, error))
        except RigError as error:
            found.append((left, error))
    return found
