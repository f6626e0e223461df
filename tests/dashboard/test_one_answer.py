"""One question has one answer: to the second and the percent, wherever it is asked."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import rig
from dashboard.answers import complete, make_call
from dashboard.live.caller import before_words
from dashboard.live.question import LiveQuestion
from dashboard.pages import compare as compare_page
from dashboard.pages import next_runs, shake_time
from dashboard.params import params_of_query, params_of_store
from dashboard.questions.call import CallQuestion
from dashboard.questions.compare import CompareQuestion
from dashboard.questions.next_runs import NextRunsQuestion
from dashboard.service import BenchView
from rig.advice.live.live import estimate, live_call
from rig.advice.process.routine import Order, plan_routine
from rig.fitting.situation import Situation
from rig.logbook.store import open_logbook
from rig.report.calls import all_foreseen, drink_calls, in_full
from rig.report.wording import of_hundred, percent, seconds
from rig.runs import Trace
from rig.session.way import WeighedIn
from tests.cli.conftest import call as command
from tests.dashboard.reading import text
from tests.shared_fits import fitted, keep_fit

SAMPLES = Path(__file__).parents[2] / "sample_logs"
WEIGHED = {"drink_temp_c": 24.0, "drink_mass_g": 84.0, "ice_mass_g": 205.0}


@dataclass(frozen=True)
class Asked:
    """A bench with its fit, in a logbook, and one of its drinks and targets."""

    logbook: Path
    view: BenchView
    names: dict[str, str]
    target: str

    @property
    def situation(self) -> Situation:
        return Situation(**self.names)

    def query(self, **more: object) -> str:
        return "&".join(f"{k}={v}" for k, v in {**self.names, "target": self.target, **more}.items())

    def advise(self, **more: float) -> rig.advice.call.call.Advice:  # type: ignore[name-defined]
        target = self.view.bench.target(self.target)
        return rig.advise(self.view.fitted(), **self.names, **more, target=target, with_levers=False)  # type: ignore[arg-type]

    def command(self, name: str, *more: str) -> dict[str, Any]:
        words = [w for k, v in self.names.items() for w in (f"--{k}", v)]
        done = command(name, *words, "--target", self.target, *more, "--logbook", self.logbook, "--json")
        assert done.code == 0, done.err
        found: dict[str, Any] = json.loads(done.out)
        return found


@pytest.fixture(scope="module", params=["harbour", "rehearsal"])
def asked(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Asked]:
    file = tmp_path_factory.mktemp("one") / "bar.sqlite"
    assert command("import", SAMPLES / request.param, "--logbook", file).code == 0
    with open_logbook(file) as logbook:
        (stored,) = logbook.benches()
        book = logbook.book(stored.name)
        fit = fitted(book)
        keep_fit(logbook, stored.name)
    (set_up, recipe), _ = max(fit.measured.items(), key=lambda m: m[1].runs)
    names = {"technique": set_up.technique, "vessel": set_up.vessel, "ice": set_up.ice, "recipe": recipe}
    yield Asked(file, BenchView(stored.name, book, fit), names, next(iter(fit.bench.targets)))


def said(duration_s: float, odds: float) -> tuple[str, str]:
    """A call as a person reads it; odds to the four digits that JSON has, lest a half be rounded twice."""
    return seconds(duration_s), percent(round(odds, 4))


def test_what_is_left_open_is_answered_alike_everywhere(asked: Asked) -> None:
    view, target = asked.view, asked.view.bench.target(asked.target)
    answers: dict[str, tuple[float, float]] = {}
    python = asked.advise()
    answers["python"] = python.duration_s, python.odds
    shell = asked.command("advise")
    answers["command line"] = shell["duration_s"], shell["odds"]
    assert shell["assumed"] == python.to_dict()["assumed"]
    page = make_call(view, CallQuestion.of(view, params_of_query(asked.query())))
    answers["shake time"] = page.duration_s, page.odds
    compared = CompareQuestion.of(
        view,
        params_of_store(
            {"recipe": asked.names["recipe"], "target": asked.target, "set_up": [str(asked.situation.set_up)]}
        ),
    )
    (foreseen,) = compared.foreseen(view)
    answers["compare"] = foreseen.calls[asked.target].duration_s, foreseen.calls[asked.target].odds
    (narrowing,) = (
        NextRunsQuestion.of(view, params_of_query(asked.query(count=1, where="here"))).answer(view).narrowings
    )
    answers["next runs"] = narrowing.duration_s, narrowing.odds_now
    planned = asked.command("plan", "--runs", "1", "--here-only")["narrowings"][0]
    answers["plan"] = planned["duration_s"], planned["odds_now"]
    reported = next(
        c
        for d in drink_calls(view.fitted(), all_foreseen(view.fitted()))
        for c in d.calls
        if (c.asked, c.target.name) == (asked.situation, asked.target)
    )
    answers["report"] = reported.duration_s, reported.odds
    full = in_full(view.fitted(), reported)
    answers["card"] = full.duration_s, full.odds
    live = live_call(view.fitted(), asked.situation, target)
    assert live.before is not None
    answers["live, before"] = live.before.duration_s, live.before.odds
    at_start = estimate(live, Trace(np.zeros(0), {"": np.zeros(0)}), 0.0)
    assert at_start.stop_at_s is not None and at_start.odds_best is not None
    answers["live, at the start"] = at_start.stop_at_s + live.reaction_s, at_start.odds_best
    (drink,) = plan_routine(view.fitted(), [Order(asked.situation, target)]).drinks
    answers["routine"] = drink.duration_s, drink.odds
    assert {name: said(*answer) for name, answer in answers.items()} == dict.fromkeys(
        answers, said(*answers["python"])
    )
    for name, answer in answers.items():
        assert answer == pytest.approx(answers["python"], abs=0.006), name


def test_what_is_weighed_and_measured_is_answered_alike_everywhere(asked: Asked) -> None:
    view, target = asked.view, asked.view.bench.target(asked.target)
    python = asked.advise(**WEIGHED)
    words = [w for k, v in WEIGHED.items() for w in (f"--{k.replace('_', '-')}", str(v))]
    shell = asked.command("advise", *words)
    known = WeighedIn(
        {"drink": WEIGHED["drink_mass_g"], "ice": WEIGHED["ice_mass_g"]}, WEIGHED["drink_temp_c"]
    )
    question = LiveQuestion.of(view.name, view.bench, params_of_query(asked.query()))
    live = live_call(view.fitted(), question.situation(known), question.goal(view.bench))
    assert live.before is not None
    (drink,) = plan_routine(view.fitted(), [Order(replace(asked.situation, **WEIGHED), target)]).drinks
    answers = {
        "command line": (shell["duration_s"], shell["odds"]),
        "live": (live.before.duration_s, live.before.odds),
        "routine": (drink.duration_s, drink.odds),
    }
    assert {n: said(*a) for n, a in answers.items()} == dict.fromkeys(
        answers, said(python.duration_s, python.odds)
    )


def test_sliders_of_shake_time_ask_what_the_command_line_asks(asked: Asked) -> None:
    stated = {"drink_temp_c": 30.0, "ice_temp_c": -8.0, "ice_mass_g": 180.0}
    page = make_call(asked.view, CallQuestion.of(asked.view, params_of_query(asked.query(**stated))))
    words = [w for k, v in stated.items() for w in (f"--{k.replace('_', '-')}", str(v))]
    shell = asked.command("advise", *words)
    assert said(page.duration_s, page.odds) == said(shell["duration_s"], shell["odds"])
    assert page.to_dict()["assumed"] == shell["assumed"]
    assert {a["from"] for n, a in shell["assumed"].items() if n in stated} == {"asked"}


def test_pages_show_the_call_as_the_command_line_prints_it(asked: Asked) -> None:
    view, python = asked.view, asked.advise()
    head = text(shake_time.head_block(make_call(view, CallQuestion.of(view, params_of_query(asked.query())))))
    plan = NextRunsQuestion.of(view, params_of_query(asked.query(count=1, where="here"))).answer(view)
    question = CompareQuestion((asked.situation.set_up,), asked.names["recipe"], asked.target)
    live = live_call(view.fitted(), asked.situation, python.target)
    for where in (head, text(compare_page.calls_block(view, question)), before_words(live)):
        assert of_hundred(python.odds) in where
        assert f"{seconds(python.duration_s)} s" in where
        assert "usual for this drink on this set-up" in where
    next_head = text(next_runs.head_block(plan))
    assert percent(python.odds) in next_head
    assert f"{seconds(python.duration_s)} s" in next_head
    assert "usual for this drink on this set-up" in next_head


def test_a_lever_asked_on_its_own_says_what_it_was_said_to(asked: Asked) -> None:
    """A target that hardly lands, so that there is something to help with."""
    target = rig.Target(serve_temp_c_max=-3.0, dilution_by_volume=(0.24, 0.29))
    call = rig.advise(asked.view.fitted(), **asked.names, target=target, with_levers=False)  # type: ignore[arg-type]
    found = complete(asked.view, call).levers
    assert call.odds < 0.8 and found
    for lever in found:
        if lever.change == "base":
            continue  # a recipe that is not on the bench
        alone = rig.advise(asked.view.fitted(), **lever.asked.asked, target=target, with_levers=False)
        assert said(alone.duration_s, alone.odds) == said(lever.duration_s, lever.odds), lever.what
        assert lever.gain == pytest.approx(lever.odds - call.odds)
