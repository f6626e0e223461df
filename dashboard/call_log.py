"""Calls that pages give go into the logbook in a thread of their own: no answer waits for a database."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from datetime import UTC, datetime

from dashboard.service import BenchView, Service
from rig.advice.call.call import Advice
from rig.advice.check.call_log import AskedFrom, call_of_advice, keep, keep_live
from rig.advice.live.live import LiveCall
from rig.fitting.result import Fit


class CallKeeper:
    """Keeps calls one after the other; begins its thread with the first. Without a logbook it keeps none."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._threads = ThreadPoolExecutor(1, thread_name_prefix="calls")

    def keep(self, view: BenchView, call: Advice) -> Future[bool] | None:
        """Keep a call of Shake time; the future says whether it was taken."""
        logbook, fit = self._service.logbook, view.fit
        if logbook is None or fit is None:
            return None
        made = call_of_advice(call, fit, AskedFrom.SHAKE_TIME, datetime.now(UTC))
        return self._threads.submit(keep, logbook, view.name, made)

    def keep_live(self, bench: str, fit: Fit, call: LiveCall, asked_at: datetime) -> Future[bool] | None:
        """Keep Live's call as it stands before the start."""
        logbook = self._service.logbook
        if logbook is None:
            return None
        return self._threads.submit(keep_live, logbook, bench, call, fit, AskedFrom.LIVE, asked_at)
