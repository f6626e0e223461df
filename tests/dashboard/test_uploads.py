"""Files come piece by piece, go on where they stopped, and are believed in nothing; what nobody wants is taken away."""

from __future__ import annotations

import json
import os
import time
import tracemalloc
from http.client import HTTPConnection
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

from dashboard import uploads as uploading
from dashboard.app import make_app
from dashboard.headers import GUEST, MOST_BYTES
from dashboard.serving import server_of
from dashboard.sources import LogbookSource
from dashboard.uploads import BEGIN, KEPT_S, OFFSET, PIECE_BYTES, NoRoom, Uploads, uploads_of
from rig.errors import ModelRangeError
from rig.importing.tabular.limits import MOST_BYTES as MOST_FILE_BYTES
from tests.dashboard.benches import HeldSource

CONTENT = b"time_s,probe_c\n" + b"".join(b"%d,%d\n" % (k, k) for k in range(500))


@pytest.fixture
def client(source: LogbookSource) -> Any:
    return make_app(source).server.test_client()


def begin(client: Any, content: bytes, name: str = "probe.csv", **more: Any) -> Any:
    return client.post(BEGIN, json={"name": name, "size": len(content), "modified": "1"}, **more)


def piece(client: Any, id_: str, content: bytes, offset: Any, **more: Any) -> Any:
    return client.patch(f"{BEGIN}/{id_}", data=content, headers={OFFSET: str(offset)}, **more)


def test_a_file_comes_in_pieces_and_is_then_what_was_sent(client: Any, source: LogbookSource) -> None:
    told = begin(client, CONTENT).get_json()
    assert told["offset"] == 0
    for at in range(0, len(CONTENT), 700):
        got = piece(client, told["id"], CONTENT[at : at + 700], at)
        assert got.get_json() == {"offset": min(at + 700, len(CONTENT))}
    path = uploads_of(source.logbook).whole(told["id"])
    assert path.read_bytes() == CONTENT
    assert path.stat().st_mode & 0o077 == 0  # nobody else's to read
    assert begin(client, CONTENT).get_json() == {"id": told["id"], "offset": len(CONTENT)}


def test_it_goes_on_where_it_stopped_whoever_serves_it_by_then(client: Any, source: LogbookSource) -> None:
    id_ = begin(client, CONTENT).get_json()["id"]
    piece(client, id_, CONTENT[:1000], 0)
    later = make_app(source).server.test_client()
    assert begin(later, CONTENT).get_json() == {"id": id_, "offset": 1000}
    for wrong in (0, 999, 1001):
        got = piece(later, id_, CONTENT[wrong:], wrong)
        assert got.status_code == 409 and got.get_json()["offset"] == 1000
    assert piece(later, id_, CONTENT[1000:], 1000).status_code == 200
    assert uploads_of(source.logbook).whole(id_).read_bytes() == CONTENT


@pytest.mark.parametrize("other", [{"name": "scale.csv"}, {"modified": "2"}, {"size": 7}])
def test_another_file_is_another(client: Any, other: dict[str, Any]) -> None:
    told = {"name": "probe.csv", "size": len(CONTENT), "modified": "1"}
    ids = {client.post(BEGIN, json=t).get_json()["id"] for t in (told, told | other)}
    assert len(ids) == 2


@pytest.mark.parametrize(
    "told", [None, [], {}, {"name": 7, "size": 1}, {"name": "a", "size": "1"}, {"name": "a", "size": -1},
             {"name": "a", "size": True}, {"name": "a", "size": MOST_FILE_BYTES + 1}],
)  # fmt: skip
def test_what_cannot_be_begun_is_said_in_words(client: Any, told: Any) -> None:
    got = client.post(BEGIN, json=told)
    assert got.status_code == 400 and got.get_json()["said"]


@pytest.mark.parametrize("offset", ["", "x", "-1", "1" * 400, "0.5"])
def test_a_piece_that_says_no_place_is_refused(client: Any, offset: str) -> None:
    got = piece(client, begin(client, CONTENT).get_json()["id"], b"1", offset)
    assert got.status_code == 400 and OFFSET in got.get_json()["said"]


@pytest.mark.parametrize("id_", ["x", "..%2Fbar.sqlite", "0" * 32 + "-9", "bar.sqlite"])
def test_an_upload_that_is_none_reaches_no_file(client: Any, source: LogbookSource, id_: str) -> None:
    before = Path(source.logbook.where).read_bytes()
    assert piece(client, id_, b"1", 0).status_code in (400, 404, 405)
    client.delete(f"{BEGIN}/{id_}")
    assert Path(source.logbook.where).read_bytes() == before


def test_no_more_comes_than_was_announced_and_no_piece_is_larger_than_any_request(client: Any) -> None:
    id_ = begin(client, CONTENT).get_json()["id"]
    assert "more of the file than" in piece(client, id_, CONTENT + b"1", 0).get_json()["said"]
    assert piece(client, id_, b"1" * (MOST_BYTES + 1), 0).status_code == 413
    assert begin(client, CONTENT).get_json()["offset"] == 0


def test_another_screen_sends_nothing_and_no_page_of_others_does(client: Any, source: LogbookSource) -> None:
    id_ = begin(client, CONTENT).get_json()["id"]
    guest: Any = {"environ_overrides": {GUEST: True}}
    for got in (
        begin(client, CONTENT, **guest),
        piece(client, id_, b"1", 0, **guest),
        client.delete(f"{BEGIN}/{id_}", **guest),
    ):
        assert got.status_code == 403 and "on the computer that shares this" in got.get_json()["said"]
    assert client.post(BEGIN, json={}, headers={"Origin": "http://elsewhere.example"}).status_code == 403
    assert (uploads_of(source.logbook).folder / id_).stat().st_size == 0


def test_a_bench_that_is_a_folder_takes_no_files() -> None:
    got = begin(make_app(HeldSource({})).server.test_client(), CONTENT)
    assert got.status_code == 403 and "brought into a logbook" in got.get_json()["said"]


def test_what_the_disk_has_no_room_for_is_said_before_it_is_sent(
    client: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(uploading, "SPARE_BYTES", 1 << 62)
    got = begin(client, CONTENT)
    assert got.status_code == 507 and "the disk has 0 MB to spare" in got.get_json()["said"]


def test_a_disk_that_fills_meanwhile_keeps_what_has_come(
    small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(uploading, "SPARE_BYTES", -(1 << 30))
    uploads, other = Uploads(small_disk / "uploads"), small_disk / "other"
    id_, _ = uploads.begin("long.csv", 3 * PIECE_BYTES)
    offset = uploads.add(id_, 0, b"1" * PIECE_BYTES)
    other.write_bytes(b"2" * 300_000)
    with pytest.raises(NoRoom, match="the disk is full"):
        uploads.add(id_, offset, b"1" * PIECE_BYTES)
    assert uploads.begin("long.csv", 3 * PIECE_BYTES) == (id_, offset)
    other.unlink()
    assert uploads.add(id_, offset, b"1" * 1000) == offset + 1000


def test_what_was_left_behind_is_taken_away_and_nothing_else(tmp_path: Path) -> None:
    uploads = Uploads(tmp_path)
    old, _ = uploads.begin("old.csv", 5)
    mine = tmp_path / "notes.txt"
    mine.write_text("not an upload")
    for path in (tmp_path / old, mine):
        os.utime(path, (time.time() - KEPT_S - 60,) * 2)
    new, _ = uploads.begin("new.csv", 5)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([new, "notes.txt"])
    uploads.forget([new, "notes.txt", "../" + tmp_path.name])
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]
    with pytest.raises(ModelRangeError, match="no longer there"):
        uploads.whole(new)


def test_the_memory_never_holds_more_than_a_few_pieces(source: LogbookSource) -> None:
    server = server_of(make_app(source), "127.0.0.1", 0)
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    line = HTTPConnection("127.0.0.1", server.server_port, timeout=60.0)

    def ask(method: str, address: str, body: bytes, **headers: str) -> Any:
        line.request(method, address, body, headers)
        return json.loads(line.getresponse().read())

    count, one = 40, b"1" * PIECE_BYTES
    told = json.dumps({"name": "long.csv", "size": count * PIECE_BYTES}).encode()
    id_ = ask("POST", BEGIN, told, **{"Content-Type": "application/json"})["id"]
    tracemalloc.start()
    for k in range(count):
        got = ask("PATCH", f"{BEGIN}/{id_}", one, **{OFFSET: str(k * PIECE_BYTES)})
        assert got == {"offset": (k + 1) * PIECE_BYTES}
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    line.close()
    server.shutdown()
    thread.join()
    assert peak < 8 * PIECE_BYTES
