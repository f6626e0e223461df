"""A shake as a page hears or feels it: what it measures comes in as it is made, start, stop and cadence go out.

No sound reaches the server: the page works out the power in one band as it is of a file (`rig/signals/sound.py`), in
its own audio thread, and sends that; a phone's motion sensor sends its acceleration. Either starts and stops the drink
under way at the moments it shows (`rig/session/ear.py`).
"""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any

import numpy as np
from flask import Flask, Response, request

from dashboard.headers import GUEST
from dashboard.live.room import LiveRoom
from rig.arrays import FloatArray
from rig.errors import NotEnoughData, RigError
from rig.session.ear import MotionTake, SoundTake, Take
from rig.session.heard import cadence_words, lasted_words, plain
from rig.signals.sound import FRAME_S, HeardShake, band_sections

BAND, WORKLET, HEAR = "/live/hear/band", "/live/hear/worklet.js", "/live/hear"
MOST_ROWS = 50_000
"""Of one take: some minutes of sound, some more of motion."""
MOST_TAKES = 6
LONGEST_S = 3600.0
MOST_M_S2 = 1000.0
ONLY_HERE = "This screen only watches. What it heard can be noted on the computer that records."
_NOTHING = "the page sent nothing that can be heard; load it again"


@dataclass
class Hearing:
    """Takes under way by the name that their page gave them, and what was heard last by this computer's page."""

    room: LiveRoom
    _takes: OrderedDict[str, Take] = field(default_factory=OrderedDict)
    _last: HeardShake | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def hear(self, told: dict[str, Any], guest: bool) -> dict[str, Any]:
        """Take in what a page heard or felt; words for it, at once or once its take is over.

        Raises
        ------
        NotEnoughData
            Where no shake can be told of a take that is over, in words; where nothing can be read.
        """
        goes_on, name = told.get("goes_on") is True, str(told.get("take", ""))[:40]
        counts = not guest or self.room.remotes
        with self._lock:
            take = self._takes.pop(name, None) or (MotionTake() if "motion" in told else SoundTake())
            rows = _rows(told, take)
            if len(rows):
                take.add(rows, _age_s(told.get("age_s")))
            if goes_on:
                self._takes[name] = take
                while len(self._takes) > MOST_TAKES:
                    self._takes.popitem(last=False)
                heard = take.look()
            else:
                heard = take.whole()
        given = counts and heard is not None and self._give(take, heard)
        if goes_on:
            return {"said": "", "heard": heard is not None, "given": given}
        assert heard is not None
        words = f"{lasted_words(heard)}. {cadence_words(heard)}"
        if not counts:
            return {"said": f"{words} {ONLY_HERE}", "may_note": False, **plain(heard)}
        with self._lock:
            self._last = heard
        more = (
            "The drink under way takes it as its start, stop and cadence."
            if given
            else "No drink is under way that it belongs to: note it on its run below."
        )
        return {"said": f"{words} {more}", "may_note": not given and not guest, **plain(heard)}

    def _give(self, take: Take, heard: HeardShake) -> bool:
        return self.room.sounded(heard, take.at_ns(heard.start.time_s), take.at_ns(heard.stop.time_s))

    def note(self, bench: str, run: str) -> str:
        """Note the duration and the cadence heard last on a run; words for who asked.

        Raises
        ------
        NotFound, RigError
            No such run; nothing was heard; there is no logbook.
        """
        with self._lock:
            heard = self._last
        if heard is None:
            raise RigError("nothing has been heard yet. Listen first")
        self.room.note_heard(bench, run, heard)
        return (
            f"Noted: run {run} lasted {heard.duration_s:.1f} s, at {heard.cadence_hz:.1f} strokes a second."
        )


def register(server: Flask, room: LiveRoom) -> None:
    """Serve the band and the page's audio thread, and take what was heard."""
    hearing = Hearing(room)

    def band() -> Response:
        try:
            sections = band_sections(float(request.args.get("rate", "nan")))
        except ValueError:
            return _told({"said": "the page sent no rate. Load it again"}, 400)
        return _told({"sections": sections.tolist(), "frame_s": FRAME_S}, 200)

    def worklet() -> Response:
        script = files("dashboard.live").joinpath("hear_worklet.js").read_text(encoding="utf-8")
        return Response(script, mimetype="text/javascript")

    def heard() -> Response:
        told, guest = request.get_json(silent=True), bool(request.environ.get(GUEST))
        if not isinstance(told, dict):
            return _told({"said": "the page sent nothing that can be read; load it again"}, 400)
        try:
            if "run" not in told:
                return _told(hearing.hear(told, guest), 200)
            if guest:
                return _told({"said": ONLY_HERE}, 403)
            return _told(
                {"said": hearing.note(str(told.get("bench", "")), str(told["run"]).strip()[:80])}, 200
            )
        except NotEnoughData as error:
            return _told({"said": f"Cannot tell: {error}.", "may_note": False}, 200)
        except RigError as error:
            return _told({"said": str(error), "may_note": True}, 200)

    server.add_url_rule(BAND, "live_hear_band", band)
    server.add_url_rule(WORKLET, "live_hear_worklet", worklet)
    server.add_url_rule(HEAR, "live_hear", heard, methods=["POST"])


def _rows(told: dict[str, Any], take: Take) -> FloatArray:
    """What a page sent of a take: power frames, or seconds and acceleration; refused where it can be none."""
    felt = isinstance(take, MotionTake)
    sent = told.get("motion" if felt else "power")
    if not isinstance(sent, list) or len(sent) + take.count > MOST_ROWS:
        raise NotEnoughData(_NOTHING)
    try:
        rows = np.array(sent, dtype=float)
    except (TypeError, ValueError) as error:
        raise NotEnoughData(_NOTHING) from error
    if rows.size == 0:
        return rows
    if rows.ndim != (2 if felt else 1) or not np.all(np.isfinite(rows)):
        raise NotEnoughData(_NOTHING)
    if felt:
        time_s = rows[:, 0]
        rising = np.all(np.diff(time_s) > 0.0) and time_s[0] > (take.lasts_s if take.count else -1e-9)
        if (
            rows.shape[1] != 4
            or not rising
            or time_s[-1] > LONGEST_S
            or np.abs(rows[:, 1:]).max() > MOST_M_S2
        ):
            raise NotEnoughData(_NOTHING)
    elif np.any(rows < 0.0):
        raise NotEnoughData(_NOTHING)
    elif told.get("goes_on") is not True and not take.count and not np.any(rows > 0.0):
        raise NotEnoughData(
            "the microphone is mute: nothing at all was heard. Unmute it, or choose another one"
        )
    return rows


def _age_s(told: Any) -> float:
    """How long ago the take began [s]."""
    return (
        min(max(float(told), 0.0), LONGEST_S) if isinstance(told, int | float) and np.isfinite(told) else 0.0
    )


def _told(body: dict[str, Any], status: int) -> Response:
    return Response(
        json.dumps(body), status, mimetype="application/json", headers={"Cache-Control": "no-store"}
    )
