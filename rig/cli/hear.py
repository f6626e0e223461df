"""`chillrig hear`: when a shake began and stopped and how fast it was, by its sound."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import AsJson, BenchName, Logbook, example
from rig.cli.printing import print_json, say

if TYPE_CHECKING:
    from rig.signals.sound import HeardShake

EXAMPLE = example(
    "chillrig hear take3.wav",
    "chillrig hear take3.wav --run a12",
)


def command(
    file: Annotated[Path, typer.Argument(help="A .wav file, as a phone or laptop records it.")],
    run: Annotated[
        str | None, typer.Option(help="Note the duration heard on this run of the logbook, with the reason.")
    ] = None,
    logbook: Logbook = None,
    bench_name: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Hear a shake: its start, its stop and its cadence, each with how sure.

    Lay the phone beside the shaker, record before, during and after. Nothing of the sound is kept.
    """
    from rig.importing.sound_file import sound_from
    from rig.session.heard import cadence_words, lasted_words, plain
    from rig.signals.sound import hear_shake

    heard = hear_shake(*sound_from(file))
    noted = None if run is None else _note(heard, file, run, logbook, bench_name)
    if as_json:
        print_json({**plain(heard), "noted_on": noted})
        return
    say(lasted_words(heard), style="bold")
    say(cadence_words(heard))
    if noted is not None:
        say(f"Noted as the duration and the cadence of run {noted}.")


def _note(heard: HeardShake, file: Path, run: str, logbook: str | None, bench_name: str | None) -> str:
    from rig.cli.source import open_source
    from rig.session.heard import note_on

    source = open_source(None, logbook, bench_name, with_traces=False)
    assert source.logbook is not None
    note_on(source.logbook, source.name, run, heard, f"heard in {file.name}")
    return run
