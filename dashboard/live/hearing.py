"""What the microphone of a page hears of a shake: the power in its band comes in, start, stop and cadence go out.

No sound reaches the server: the page works out the same features as a file's are (`rig/signals/sound.py`), in its own
audio thread, and sends those.
"""

from __future__ import annotations

import json
import threading
import time
from dataclasses import dataclass, field
from importlib.resources import files
from typing import Any

import numpy as np
from flask import Flask, Response, request

from dashboard.headers import GUEST
from dashboard.live.room import LiveRoom
from rig.arrays import FloatArray
from rig.errors import NotEnoughData, RigError
from rig.session.heard import cadence_words, lasted_words, plain
from rig.signals.sound import FRAME_S, HeardShake, band_sections, hear_power

BAND, WORKLET, HEAR = "/live/hear/band", "/live/hear/worklet.js", "/live/hear"
MOST_FRAMES = 50_000
LONGEST_S = 3600.0
_NS_PER_S = 1e9
ONLY_HERE = "This screen only watches. What it heard can be noted on the computer that records."


@dataclass
class Hearing:
    """What was heard last by this computer's page, for the drink under way or for a run that is named."""

    room: LiveRoom
    _last: HeardShake | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def hear(self, told: dict[str, Any], guest: bool) -> dict[str, Any]:
        """Find the shake in what a page heard, and give it to the drink under way.

        Raises
        ------
        NotEnoughData
            Where no shake can be told, in words.
        """
        heard = hear_power(_power(told.get("power")))
        words = f"{lasted_words(heard)}. {cadence_words(heard)}"
        if guest:
            return {"said": f"{words} {ONLY_HERE}", "may_note": False, **plain(heard)}
        with self._lock:
            self._last = heard
        first_ns = time.perf_counter_ns() - int(_age_s(told.get("age_s")) * _NS_PER_S)
        given = self.room.sounded(heard, first_ns)
        more = (
            "The drink under way takes it as its start, stop and cadence when it is kept."
            if given
            else "No drink is under way that it belongs to: note it on its run below."
        )
        return {"said": f"{words} {more}", "may_note": not given, **plain(heard)}

    def note(self, bench: str, run: str) -> str:
        """Note the duration heard last on a run; words for who asked.

        Raises
        ------
        NotFound, RigError
            No such run; nothing was heard; there is no logbook.
        """
        with self._lock:
            heard = self._last
        if heard is None:
            raise RigError("nothing has been heard yet. Listen first")
        self.room.correct(
            bench, run, {"duration_s": round(heard.duration_s, 1)}, "heard by the microphone of Live"
        )
        return f"Noted: run {run} lasted {heard.duration_s:.1f} s."


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


def _power(told: Any) -> FloatArray:
    """The power of the band in frames, refused where it can be none."""
    if not isinstance(told, list) or len(told) > MOST_FRAMES:
        raise NotEnoughData("the page sent nothing that can be heard; load it again")
    try:
        power = np.array(told, dtype=float)
    except (TypeError, ValueError) as error:
        raise NotEnoughData("the page sent nothing that can be heard; load it again") from error
    if power.ndim != 1 or not np.all(np.isfinite(power)) or np.any(power < 0.0):
        raise NotEnoughData("the page sent nothing that can be heard; load it again")
    if not np.any(power > 0.0):
        raise NotEnoughData(
            "the microphone is mute: nothing at all was heard. Unmute it, or choose another one"
        )
    return power


def _age_s(told: Any) -> float:
    """How long ago the first frame was [s]."""
    return (
        min(max(float(told), 0.0), LONGEST_S) if isinstance(told, int | float) and np.isfinite(told) else 0.0
    )


def _told(body: dict[str, Any], status: int) -> Response:
    return Response(
        json.dumps(body), status, mimetype="application/json", headers={"Cache-Control": "no-store"}
    )
