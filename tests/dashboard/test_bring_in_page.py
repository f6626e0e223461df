"""Bring in: what a browser sends is believed in nothing, what a table was taken for is seen before it is stored."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.app import make_app
from dashboard.headers import GUEST
from dashboard.page import Here
from dashboard.pages import bring_in, live, runs
from dashboard.questions.bring_in import (
    MOST_OF_ONE_RUN,
    OFFER,
    QUESTION,
    Answer,
    Look,
    Sent,
    answered,
    files_of,
    first_looks,
    keep_answers,
    looks_of,
    read_again,
    said_of,
    settled,
)
from dashboard.questions.bring_in_run import RunForm, start_words, store
from dashboard.service import BenchView, Service
from dashboard.sources import LogbookSource, logbook_source
from dashboard.uploads import Uploads, uploads_of
from rig.errors import ModelRangeError, NotFound, RigError, TableRefused
from rig.importing.proposal import propose
from rig.importing.table_run import MOTION_START
from rig.importing.tabular.profile import TableProfile
from rig.logbook.profiles import profiles
from rig.logbook.store import Logbook, open_logbook
from rig.runs import RunBook
from tests.cli.small_bench import small_book
from tests.dashboard.benches import source_of_view
from tests.dashboard.logger_tables import AMBIGUOUS, SCALE, TIMER, sent
from tests.dashboard.reading import ids, parts, text


def given(*files: tuple[str, bytes]) -> tuple[Sent, ...]:
    """Files as they are read once they have come."""
    return tuple(Sent(*f) for f in files)


def archive_of(files: Mapping[str, bytes]) -> bytes:
    """An archive of these files."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, raw in files.items():
            archive.writestr(name, raw)
    return held.getvalue()


PROBE = ("bar probe.csv", AMBIGUOUS)
TIMED = ("bar timer.csv", TIMER)
FORM = {"way": "new", "run": "q9", "technique": "shake", "vessel": "steel tin", "ice": "wet cube"} | {
    "recipe": "night shift", "duration_s": "12,5"
}  # fmt: skip
DAY_FIRST = [Answer("day_first", "", "day first")]


@pytest.fixture(scope="module")
def book() -> RunBook:
    return small_book()


@pytest.fixture
def logbook(book: RunBook) -> Iterator[Logbook]:
    with open_logbook(None) as opened:
        opened.add(book, "corner", "made for a test")
        yield opened


def _looked(logbook: Logbook, *answers: Answer, file: tuple[str, bytes] = PROBE) -> tuple[Look, ...]:
    files = given(file)
    return read_again(files, first_looks(files, logbook), {0: answers})


# -- what a browser sends


@pytest.fixture
def uploads(tmp_path: Path) -> Uploads:
    return Uploads(tmp_path / "uploads")


@pytest.mark.parametrize(
    ("told", "says"),
    [
        (None, "no files that can be read"),
        ("names", "no files that can be read"),
        ({"files": []}, "no files that can be read"),
        ({"files": ["a"]}, "no files that can be read"),
        ({"files": [{"id": 7, "name": "a"}]}, "no longer there"),
        ({"files": [{"id": "../../etc/passwd", "name": "a"}]}, "no longer there"),
        ({"files": [{"id": "0" * 32 + "-5", "name": "a"}]}, "no longer there"),
        ({"files": [{"id": "a", "name": "a"}] * 3000}, "3000 tables"),
    ],
)
def test_files_that_are_none_are_refused_in_words(uploads: Uploads, told: Any, says: str) -> None:
    with pytest.raises(RigError, match=says):
        files_of(told, uploads)


@pytest.mark.parametrize(
    ("files", "says"),
    [
        ([(f"{k}.csv", b"1") for k in range(MOST_OF_ONE_RUN + 1)], "up to 12 files, found 13. Bring in several"),
        ([("a.csv", b"1"), ("./a.csv", b"2")], "the same name"),
        ([("bar/bench.toml", b"title = 'x'"), ("bar/run_sheet.csv", b"run")], "bench folder"),
        ([("bar.zip", archive_of({"bar/bench.toml": b"title = 'x'"}))], "bar.zip holds a bench folder"),
        ([("bar.zip", archive_of({"bar/photo.jpg": b"x"}))], "no table in what you chose"),
        ([("bar.zip", b"PK\x05\x06 no archive")], ""),
    ],
)  # fmt: skip
def test_files_that_make_no_run_are_refused_in_words(
    uploads: Uploads, files: list[tuple[str, bytes]], says: str
) -> None:
    told = sent(uploads, *files)
    if says:
        with pytest.raises(RigError, match=says):
            files_of(told, uploads)
    else:
        assert (
            files_of(told, uploads)[0].name == "bar.zip"
        )  # by itself no archive: the table's reader refuses it


def test_a_file_that_has_not_come_whole_is_not_read(uploads: Uploads) -> None:
    id_, _ = uploads.begin("a.csv", 10)
    uploads.add(id_, 0, b"12345")
    with pytest.raises(ModelRangeError, match="not come whole"):
        files_of({"files": [{"id": id_, "name": "a.csv"}]}, uploads)


def test_the_tables_of_an_archive_are_files_like_others(uploads: Uploads) -> None:
    packed = archive_of({"tue/n1.csv": TIMER, "tue/photo.jpg": b"x", "wed/n1.csv": SCALE})
    assert files_of(sent(uploads, ("bar.zip", packed)), uploads) == given(
        ("bar.zip/tue/n1.csv", TIMER), ("bar.zip/wed/n1.csv", SCALE)
    )


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../etc/probe.csv", "etc/probe.csv"),
        ("/tuesday/probe.csv", "tuesday/probe.csv"),
        ("C:\\logs\\probe.csv", "logs/probe.csv"),
        ("pro\x00be\n.csv", "probe.csv"),
        ("", "table"),
        (None, "table"),
        ("a" * 900 + ".csv", "a" * 116 + ".csv"),
    ],
)
def test_a_files_name_leads_nowhere_and_has_no_marks_that_do_not_print(
    uploads: Uploads, name: Any, kept: str
) -> None:
    id_ = sent(uploads, ("x", b"1"))["files"][0]["id"]
    assert files_of({"files": [{"id": id_, "name": name}]}, uploads)[0].name == kept


@pytest.mark.parametrize(
    ("said", "error"),
    [
        (None, ModelRangeError),
        ([], ModelRangeError),
        (["x"], ModelRangeError),
        ([{"settings": {"columns": ["a"]}}], ModelRangeError),
        ([{"settings": {"columns": {"1": 7}}}], ModelRangeError),
        ([{"settings": {"columns": {"1": "g" * 500}}}], ModelRangeError),
        ([{"settings": {"decimal": ["."]}}], ModelRangeError),
        ([{"settings": {"decimal": "x"}}], TableRefused),
        ([{"settings": {"time_unit": "fortnights"}}], TableRefused),
        ([{"settings": {"uses": {"1": "pot"}}}], TableRefused),
        ([{"settings": {"interval_s": -1}}], TableRefused),
        ([{"settings": {"recording": 0}}], TableRefused),
        ([{"settings": {"recording": -1}}], TableRefused),
        ([{"settings": {"nonsense": 1}}], TableRefused),
        ([{"settings": {}, "profile": 5}], ModelRangeError),
    ],
)
def test_answers_that_are_none_are_refused_in_words(said: Any, error: type[RigError]) -> None:
    with pytest.raises(error):
        looks_of(given(PROBE), said)


def test_a_file_that_is_no_table_is_refused_with_its_reason_while_others_are_read(logbook: Logbook) -> None:
    looks = first_looks(given(("picture.csv", b"\x89PNG\r\n\x1a\n" + bytes(64)), PROBE), logbook)
    assert looks[0].proposal is None and "picture.csv" in looks[0].refused
    assert looks[1].proposal is not None
    assert "This file cannot be read. picture.csv" in text(bring_in.look_block(0, looks[0]))
    with pytest.raises(RigError, match="Leave this file out"):
        settled(looks)


# -- what it was taken for


def test_a_question_is_a_choice_and_nothing_is_settled_before_it_is_answered(logbook: Logbook) -> None:
    look = _looked(logbook, file=TIMED)[0]
    block = bring_in.look_block(0, look)
    assert "may be hours and minutes or minutes and seconds" in text(block) and "(line 2)" in text(block)
    asked = next(p["props"] for p in parts(block) if p["props"].get("id", {}) and _part(p) == QUESTION)
    assert [o["value"] for o in asked["options"]] == ["mm:ss", "hh:mm"]
    assert "14:06,22.00" in text(block)
    with pytest.raises(RigError, match="Answer that first"):
        settled([look])


def test_a_file_of_one_day_reads_by_itself_and_its_date_can_be_told(logbook: Logbook) -> None:
    look = _looked(logbook)[0]
    assert look.is_settled and look.proposal is not None and look.proposal.started_at is None
    assert "its date is not known unless told" in text(bring_in.look_block(0, look))


def _part(component: Mapping[str, Any]) -> str | None:
    id_ = component["props"]["id"]
    return id_.get("part") if isinstance(id_, dict) else None


@pytest.mark.parametrize(("answer", "month"), [("day first", 4), ("month first", 3)])
def test_an_answer_settles_the_file_and_the_columns_are_told(
    logbook: Logbook, answer: str, month: int
) -> None:
    look = _looked(logbook, Answer("day_first", "", answer))[0]
    assert look.is_settled and look.proposal is not None and look.proposal.started_at is not None
    assert look.proposal.started_at.month == month
    said = text(bring_in.look_block(0, look))
    assert "temperature in °C" in said and "30 readings, −1.64 to 22 °C, over 29 s" in said


def test_a_columns_unit_can_be_changed_and_taken_back(logbook: Logbook) -> None:
    files = given(PROBE)
    as_read = _looked(logbook, *DAY_FIRST)
    changed = read_again(files, as_read, {0: [Answer("columns", "2", "°F")]})
    assert said_of(changed[0], "columns", "2") == "°F"
    assert changed[0].proposal is not None and changed[0].proposal.table is not None
    warm = changed[0].proposal.table.channels[0].value[0]
    assert warm == pytest.approx((22.0 - 32.0) / 1.8)
    again = read_again(files, changed, {0: [Answer("columns", "2", "")]})
    assert again[0].settings == as_read[0].settings


def test_what_was_settled_by_a_columns_header_is_replaced_by_its_number(logbook: Logbook) -> None:
    look = _looked(logbook, Answer(QUESTION, "0", "kg"), file=("scale.csv", SCALE))[0]
    assert said_of(look, "columns", "2") == "kg"
    settings = answered(look, [Answer("columns", "2", "oz")])
    assert dict(settings.columns) == {"2": "oz"}


def test_an_answer_that_would_make_a_file_unreadable_is_refused_and_the_look_is_kept(
    logbook: Logbook,
) -> None:
    files = given(PROBE)
    with pytest.raises(RigError):
        read_again(files, _looked(logbook, *DAY_FIRST), {0: [Answer("interval_s", "", "often")]})


def test_answers_kept_under_a_name_read_the_next_file_of_that_logger(logbook: Logbook) -> None:
    keep_answers(logbook, "tin logger", settled(_looked(logbook, *DAY_FIRST)))
    look = first_looks(given(("next.csv", AMBIGUOUS)), logbook)[0]
    assert look.is_settled and look.profile == "tin logger"
    assert "Read by the answers kept as tin logger" in text(bring_in.look_block(0, look))


def test_answers_kept_for_files_much_like_one_are_offered_and_read_it_once_chosen(logbook: Logbook) -> None:
    keep_answers(logbook, "tin logger", settled(_looked(logbook, *DAY_FIRST)))
    wider = "\r\n".join(
        f"{line},{21 if n else 'Room'}" for n, line in enumerate(AMBIGUOUS.decode().splitlines())
    )
    files = given(("next.csv", wider.encode()))
    first = first_looks(files, logbook)
    said = text(bring_in.look_block(0, first[0]))
    assert "much like the files that 'tin logger' was kept for: it also has 'Room'" in said
    assert first[0].profile == "" and first[0].settings == TableProfile()
    shown = looks_of(files, [look.to_said() for look in first], profiles(logbook))
    as_before = read_again(files, shown, {0: [Answer(OFFER, "", ""), Answer("day_first", "", "")]})
    assert as_before[0].settings == TableProfile() and as_before[0].proposal is not None
    assert as_before[0].proposal.offer is not None
    taken = read_again(files, shown, {0: [Answer(OFFER, "", "tin logger"), Answer("day_first", "", "")]})
    (look,) = looks_of(files, [taken[0].to_said()], profiles(logbook))
    assert look.profile == "tin logger" and look.is_settled and look.proposal is not None
    assert look.proposal.started_at is not None and look.proposal.started_at.month == 4
    said = text(bring_in.look_block(0, look))
    assert "Read by the answers kept as tin logger" in said and "much like" not in said


@pytest.mark.parametrize("number", [10**400, float("inf"), float("nan")])
def test_numbers_beyond_all_measure_are_not_taken_over(number: float) -> None:
    look = looks_of(given(PROBE), [{"settings": {"recording": number, "interval_s": number}}])[0]
    assert look.settings == TableProfile()


@pytest.mark.parametrize("text_", ["inf", "nan", "1e400", "-1e12"])
def test_an_answer_beyond_all_measure_is_refused(logbook: Logbook, text_: str) -> None:
    with pytest.raises(ModelRangeError, match="is no answer"):
        answered(_looked(logbook, *DAY_FIRST)[0], [Answer("interval_s", "", text_)])


# -- the run


@pytest.mark.parametrize(
    ("form", "error", "says"),
    [
        ({"run": " "}, ModelRangeError, "give the run a name"),
        ({"way": "into", "into": None}, ModelRangeError, "say which run"),
        ({"vessel": ""}, ModelRangeError, "choose a vessel"),
        ({"recipe": "nightshift"}, NotFound, "did you mean 'night shift'"),
        ({"duration_s": "long"}, ModelRangeError, "give a number"),
        ({"duration_s": "nan"}, ModelRangeError, "give a number"),
        ({"ice_mass_g": "-3"}, ModelRangeError, "negative"),
        ({"run": "q" * 500}, ModelRangeError, "below 200 characters"),
        ({"run": ["q"]}, ModelRangeError, "give the run a name"),
    ],
)
def test_a_form_that_cannot_be_is_refused_in_words(
    logbook: Logbook, form: dict[str, Any], error: type[RigError], says: str
) -> None:
    with pytest.raises(error, match=says):
        RunForm.of(FORM | form, logbook.bench("corner"), {})


def _stored(logbook: Logbook, *files: tuple[str, bytes], marks: Any = None, **form: Any) -> Any:
    held = given(*(files or (PROBE,)))
    looks = read_again(held, first_looks(held, logbook), dict.fromkeys(range(len(held)), DAY_FIRST))
    told = RunForm.of(FORM | form, logbook.bench("corner"), marks or {})
    return store(logbook, "corner", settled(looks), told)


def test_a_new_run_holds_its_trace_from_the_start_of_motion_and_where_it_came_from(logbook: Logbook) -> None:
    _stored(logbook)
    run = logbook.run("corner", "q9")
    assert run.duration_s == 12.5 and run.trace is not None
    # the probe falls from the ninth reading on, eight seconds after the first
    assert run.trace.time_s[0] == pytest.approx(-8.0, abs=0.1)
    assert "probe falls from " in run.extra[MOTION_START]
    assert "bar probe.csv" in run.extra["read from"]


@pytest.mark.parametrize(("start", "first"), [("5", -5.0), ("21:04:05", -5.0), ("0", 0.0)])
def test_a_start_that_is_told_goes_before_the_one_in_the_readings(
    logbook: Logbook, start: str, first: float
) -> None:
    _stored(logbook, start=start)
    run = logbook.run("corner", "q9")
    assert run.trace is not None and run.trace.time_s[0] == pytest.approx(first)


def test_a_run_that_is_there_takes_the_trace_and_keeps_its_weighings(logbook: Logbook) -> None:
    before = logbook.run("corner", "a1")
    _stored(logbook, way="into", into="a1", duration_s="")
    after = logbook.run("corner", "a1")
    assert after.strained_mass_g == before.strained_mass_g and after.duration_s == before.duration_s
    assert after.trace is not None and len(after.trace.time_s) == 30
    assert len(logbook.list_runs("corner")) == 15


def test_nothing_is_stored_over_a_run_of_the_same_name(logbook: Logbook) -> None:
    with pytest.raises(RigError, match="there is a run 'a1'"):
        _stored(logbook, run="a1")


def test_files_without_a_common_clock_need_a_moment_that_they_share(logbook: Logbook) -> None:
    other = ("room.csv", "\n".join(["s,room °C", *(f"{k},{21 + k / 50}" for k in range(40))]).encode())
    with pytest.raises(RigError, match="the moment that is the same in all"):
        _stored(logbook, PROBE, other)
    _stored(logbook, PROBE, other, marks={"bar probe.csv": "21:04:08", "room.csv": "3"})
    trace = logbook.run("corner", "q9").trace
    assert trace is not None and trace.room_c is not None
    assert np.interp(0.0, trace.time_s, trace.room_c) == pytest.approx(21.06, abs=0.03)


# -- the page


def test_a_bench_folder_is_told_that_tables_belong_into_a_logbook(view: BenchView) -> None:
    page = bring_in.layout(Here(Service(source_of_view(view)), "corner", None, "", {}))
    assert "brought into a logbook" in text(page) and "bring-zone" not in ids(page)


def test_runs_and_live_lead_to_it(view: BenchView) -> None:
    here = Here(Service(source_of_view(view)), "corner", None, "", {})
    for page in (runs.layout(here), live.layout(here)):
        assert any(p["props"].get("href") == "/runs/bring-in" for p in parts(page))


@dataclass
class Screen:
    """The page's callbacks, asked as a browser asks them."""

    app: Any
    source: LogbookSource
    guest: bool = False

    def ask(self, first: str, trigger: str, values: Mapping[str, Any]) -> Any:
        """The answer of the callback whose first output is `first`, when `trigger` has changed."""
        key, callback = next(
            (k, c) for k, c in self.app.callback_map.items() if k.strip(".").split("...")[0].startswith(first)
            and any(f"{i['id']}.{i['property']}" == trigger for i in c["inputs"])
        )  # fmt: skip
        outs = [o.split("@")[0].rsplit(".", 1) for o in key.strip(".").split("...")]
        outputs: Any = [{"id": i, "property": p} for i, p in outs]
        body = {
            "output": key,
            "outputs": outputs if key.startswith("..") else outputs[0],
            "inputs": [self._part(part, values) for part in callback["inputs"]],
            "state": [self._part(part, values) for part in callback["state"]],
            "changedPropIds": [trigger],
        }
        client = self.app.server.test_client()
        got = client.post(
            "/_dash-update-component", json=body, environ_overrides={GUEST: True} if self.guest else {}
        )
        return got.status_code, got.get_json()

    def sent(self, *files: tuple[str, bytes]) -> Any:
        """Files that have come to it."""
        return sent(uploads_of(self.source.logbook), *files)

    def _part(self, part: Mapping[str, Any], values: Mapping[str, Any]) -> Any:
        if part["id"].startswith("{"):
            kind = "marks" if "bring-mark" in part["id"] else "answers"
            given = values.get(kind, [])
            return [
                {"id": i, "property": part["property"], "value": i if part["property"] == "id" else v}
                for i, v in given
            ]
        name = f"{part['id']}.{part['property']}"
        return {"id": part["id"], "property": part["property"], "value": values.get(name)}


@pytest.fixture
def screen(tmp_path: Path, book: RunBook) -> Iterator[Screen]:
    file = tmp_path / "bar.sqlite"
    with open_logbook(file) as opened:
        opened.add(book, "corner", "made for a test")
    source = logbook_source(str(file))
    yield Screen(make_app(source), source)
    source.lists.close()
    source.logbook.close()


ANSWER = ({"type": "bring-answer", "file": 0, "part": QUESTION, "of": "0"}, "mm:ss")


def _sent_form() -> dict[str, Any]:
    return {f"bring-{k}.value": v for k, v in FORM.items()}


def test_the_callbacks_read_ask_read_again_and_store(screen: Screen) -> None:
    files = {"bring-files.data": screen.sent(TIMED)}
    code, got = screen.ask("bring-looks.children", "bring-files.data", files)
    answer = got["response"]
    assert code == 200 and answer["bring-form"]["hidden"] is True and answer["bring-read"]["hidden"] is False
    said = {"bring-answers.data": answer["bring-answers"]["data"], "answers": [ANSWER]}
    code, got = screen.ask(
        "bring-looks.children", "bring-again.n_clicks", files | said | {"bring-again.n_clicks": 1}
    )
    answer = got["response"]
    assert code == 200 and answer["bring-form"]["hidden"] is False
    told = files | _sent_form() | {"bring-store.n_clicks": 1}
    told["bring-answers.data"] = answer["bring-answers"]["data"]
    changed = [({"type": "bring-answer", "file": 0, "part": "columns", "of": "2"}, "°F")]
    _, got = screen.ask("bring-said.children", "bring-store.n_clicks", told | {"answers": changed})
    assert "Nothing was stored: the answers have changed" in text(got["response"]["bring-said"]["children"])
    code, got = screen.ask("bring-said.children", "bring-store.n_clicks", told)
    block = got["response"]["bring-said"]["children"]
    assert code == 200 and any(p["props"].get("href") == "/runs/q9" for p in parts(block))
    _, got = screen.ask("bring-said.children", "bring-store.n_clicks", told)
    assert "Nothing was stored: there is a run 'q9'" in text(got["response"]["bring-said"]["children"])


def test_a_guest_is_told_where_tables_are_brought_in(screen: Screen) -> None:
    asked = [Here(Service(screen.source), "corner", None, "", {}, guest) for guest in (True, False)]
    theirs, ours = (bring_in.layout(here) for here in asked)
    assert "on the computer that shares this" in text(theirs) and "bring-zone" not in ids(theirs)
    assert "bring-zone" in ids(ours)


def test_a_guest_can_neither_have_tables_read_nor_store_them(screen: Screen) -> None:
    screen.guest = True
    _, got = screen.ask("bring-looks.children", "bring-files.data", {"bring-files.data": screen.sent(PROBE)})
    assert "on the computer that shares this" in text(got["response"]["bring-trouble"]["children"])
    assert got["response"]["bring-looks"]["children"] is None
    told = {"bring-files.data": screen.sent(PROBE), "bring-answers.data": [{"settings": {"day_first": True}}]}
    _, got = screen.ask(
        "bring-said.children", "bring-store.n_clicks", told | _sent_form() | {"bring-store.n_clicks": 1}
    )
    assert "Nothing was stored: Tables are brought in on" in text(got["response"]["bring-said"]["children"])


@pytest.mark.parametrize("rubbish", [7, "x", {"names": 3}, {"files": [{"id": "a"}]}, [1]])
def test_rubbish_from_a_browser_ends_in_words(screen: Screen, rubbish: Any) -> None:
    code, got = screen.ask("bring-looks.children", "bring-files.data", {"bring-files.data": rubbish})
    assert code == 200
    said = got["response"]
    assert "choose" in text(said["bring-trouble"]["children"])


def test_an_answer_that_is_none_leaves_the_controls_as_they_are(screen: Screen) -> None:
    told = {
        "bring-files.data": screen.sent(TIMED),
        "bring-answers.data": [{"settings": {}}],
        "bring-again.n_clicks": 1,
        "answers": [(ANSWER[0], "perhaps")],
    }
    _, got = screen.ask("bring-looks.children", "bring-again.n_clicks", told)
    assert "there is no time unit 'perhaps'" in text(got["response"]["bring-trouble"]["children"])
    assert "bring-looks" not in got["response"]


def test_the_start_of_motion_is_shown_with_its_grounds_before_anything_is_stored() -> None:
    falls = "".join(f"{i / 2},{22.0 if i < 24 else 22.0 - min(i - 24, 30) / 2}\n" for i in range(80))
    words, clear = start_words([propose(f"time (s),probe (°C)\n{falls}".encode(), file="a.csv")])
    assert (
        clear and words.startswith("Motion starts at 1") and "s of a.csv: probe falls from 22.0 °C" in words
    )


def test_an_unclear_start_is_a_question_that_names_the_likely_moments() -> None:
    twice = "".join(
        f"{i / 2},{23 if i < 20 else 9 if i < 60 else 9 - min(i - 60, 20) / 2}\n" for i in range(100)
    )
    words, clear = start_words([propose(f"time (s),probe (°C)\n{twice}".encode(), file="a.csv")])
    assert not clear
    assert "the probe falls 2 times" in words and "Say when motion began, in the time of a.csv: " in words
