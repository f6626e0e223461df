"""A drink with nothing pressed: a microphone's sound starts its clock and stops it, and its journal says so."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from rig.capture.decoding.dialects import load
from rig.capture.recording.follow import Follower
from rig.capture.recording.journal import read_journal
from rig.capture.recording.process import start_recording
from rig.capture.recording.recorder_files import Plan
from rig.capture.to_run.intake import recorded_in
from rig.cli.record.keys import NoKeys, run_session
from rig.fitting.bench_fit import prior_fit
from rig.fitting.situation import Situation
from rig.runs import HEARD, RunBook
from rig.session import ear
from rig.session.devices import simulated_devices
from rig.session.drink import Session
from rig.session.ear import SoundTake, listener
from rig.session.simulated_drink import simulated_drink
from rig.session.way import Way
from rig.signals.sound import band_power, hear_power
from tests.cli.small_bench import small_book
from tests.judge.hearing import live
from tests.signals.bar_sounds import NOISES, RATE_HZ, music, over, shake


def test_a_microphones_sound_starts_and_stops_the_drink(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    made = shake(rng, "metal", 3.6, 6.0, quiet_s=2.5)
    sound = over(made, music(rng, made.samples.size / RATE_HZ + 0.1), 15.0)
    fit = prior_fit(RunBook(small_book().bench, ()))
    drink = simulated_drink(fit, Situation("shake", "steel tin", "freezer cube", "night shift"), 1, None)
    begun_s, given = None, 0

    def samples() -> np.ndarray:
        """What a microphone would have heard by now, from the moment on at which it was first asked."""
        nonlocal begun_s, given
        now_s = time.perf_counter()
        begun_s = now_s if begun_s is None else begun_s
        until = min(int((now_s - begun_s) * RATE_HZ), sound.size)
        first, given = given, until
        return sound[first:until]

    listen = listener(samples, RATE_HZ)
    with simulated_devices(drink, 1.0) as (hands, ports):
        recording = start_recording(Plan(tmp_path, ports, {}))
        try:
            follower = Follower(recording.files.journal, load())
            way = Way("shake", ())
            session = Session(recording, follower, way, by_itself=True, by_ear=True, hands=hands)
            while follower.header is None or session.expecting is not None:
                session.tick()
                session.skip()
            run_session(session, NoKeys().wait, lambda s: s.skip() if not s.moving else None, 0.02, listen)
        finally:
            recording.end()
    run = recorded_in(read_journal(recording.files.journal), load()).run
    assert run.duration_s == pytest.approx(made.stop_s - made.start_s, abs=0.3)
    assert run.extra[HEARD].startswith("start heard; stop heard; 3.")


@pytest.mark.parametrize("first_look_s", [0.1, 0.35])
def test_whenever_it_is_looked_at_a_drink_starts_and_stops_where_the_file_says(
    first_look_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ear, "LEAST_WAIT_S", 0.0)
    monkeypatch.setattr(ear, "WAITS", 0.0)
    rng = np.random.default_rng(8)
    made = shake(rng, "metal", 3.6, 7.0, quiet_s=3.0)
    power = band_power(over(made, music(rng, made.samples.size / RATE_HZ + 0.1), 15.0), RATE_HZ)
    heard, drink = hear_power(power), live(power, first_look_s)
    assert drink.started_s == pytest.approx(heard.start.time_s, abs=ear.AGREED_S)
    assert drink.stopped_s == pytest.approx(heard.stop.time_s, abs=ear.AGREED_S)


@pytest.mark.slow
@pytest.mark.parametrize("noise", NOISES)
def test_no_shake_begins_in_two_and_a_half_minutes_of_each_noise(
    noise: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ten minutes in all, looked at every second as a page does that goes on listening."""
    monkeypatch.setattr(ear, "LEAST_WAIT_S", 0.0)
    monkeypatch.setattr(ear, "WAITS", 0.0)
    power = band_power(NOISES[noise](np.random.default_rng(77), 150.0), RATE_HZ)
    take, begun = SoundTake(), 0
    for piece in np.array_split(power, 150):
        take.add(piece, 0.0)
        begun += take.look() is not None
    assert begun == 0
