"""A bench folder is read whole where it is good, and says what to do where it is not."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from rig.bench import IceShape
from rig.errors import BenchError
from rig.importing.bench_folder import open_bench
from rig.runs import Finding, Gravity, RunBook

BENCH = """\
title = "Test bar"
[vessels."two-piece steel"]
mass_g = 235
[ice."freezer cube"]
shape = "cube"
edge_mm = 25
[recipes."quayside black"]
ingredients = [{ name = "coffee", volume_ml = 50 }, { name = "spirit", volume_ml = 35, abv_pct = 42 }]
[targets."coupe"]
serve_temp_c_max = -2.0
"""
HEADER = (
    "run,started_at,operator,session,technique,vessel,ice,ice_mass_g,ice_temp_c,recipe,drink_mass_g,"
    "drink_temp_c,vessel_temp_c,room_temp_c,duration_s,strained_mass_g,trace,notes,target"
)
GOOD = {
    "run": "r1",
    "started_at": "2026-03-09T18:30:00+00:00",
    "operator": "A",
    "session": "evening",
    "technique": "shake",
    "vessel": "two-piece steel",
    "ice": "freezer cube",
    "ice_mass_g": "210",
    "ice_temp_c": "-16",
    "recipe": "quayside black",
    "drink_mass_g": "84.5",
    "drink_temp_c": "24",
    "vessel_temp_c": "21",
    "room_temp_c": "22",
    "duration_s": "12",
    "strained_mass_g": "120.3",
    "trace": "r1.csv",
    "notes": "brisk",
    "target": "coupe",
}
TRACE = "time_s,probe_c,scale_g\n-1,24,\n0,23.5,530\n1.5,10,\n"


def row(header: str = HEADER, **cells: str) -> str:
    values = {**GOOD, **cells}
    return ",".join(values.get(c, "") for c in header.split(","))


def sheet(*rows: str, header: str = HEADER) -> str:
    return "\n".join((header, *rows)) + "\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A bench folder with one good run and its trace."""
    home = tmp_path / "bench"
    (home / "traces").mkdir(parents=True)
    (home / "bench.toml").write_text(BENCH, encoding="utf-8")
    (home / "run_sheet.csv").write_text(sheet(row()), encoding="utf-8")
    (home / "traces" / "r1.csv").write_text(TRACE, encoding="utf-8")
    return home


def with_sheet(folder: Path, text: str | bytes) -> RunBook:
    raw = text if isinstance(text, bytes) else text.encode()
    (folder / "run_sheet.csv").write_bytes(raw)
    return open_bench(folder)


def with_trace(folder: Path, text: str | bytes) -> RunBook:
    raw = text if isinstance(text, bytes) else text.encode()
    (folder / "traces" / "r1.csv").write_bytes(raw)
    return open_bench(folder)


def only(book: RunBook, gravity: Gravity | None = None) -> Finding:
    found = [f for f in book.findings if gravity is None or f.gravity is gravity]
    assert len(found) == 1, [str(f) for f in book.findings]
    return found[0]


def test_a_good_folder_is_read_whole_and_without_findings(folder: Path) -> None:
    book = open_bench(folder)
    assert book.findings == ()
    (run,) = book.runs
    assert book.bench.ice["freezer cube"].shape is IceShape.CUBE
    assert (run.run, run.technique, run.vessel, run.ice) == ("r1", "shake", "two-piece steel", "freezer cube")
    assert run.started_at == datetime(2026, 3, 9, 18, 30, tzinfo=UTC)
    assert (run.ice_mass_g, run.ice_temp_c, run.drink_mass_g, run.drink_temp_c) == (210, -16, 84.5, 24)
    assert (run.vessel_temp_c, run.room_temp_c, run.duration_s, run.strained_mass_g) == (21, 22, 12, 120.3)
    assert (run.operator, run.session, run.notes, run.target) == ("A", "evening", "brisk", "coupe")
    assert run.trace is not None and run.trace.probe_c is not None and run.trace.scale_g is not None
    np.testing.assert_array_equal(run.trace.time_s, [-1, 0, 1.5])
    np.testing.assert_array_equal(run.trace.probe_c, [24, 23.5, 10])
    np.testing.assert_array_equal(run.trace.scale_g, [np.nan, 530, np.nan])


def test_the_path_of_bench_toml_stands_for_its_folder(folder: Path) -> None:
    assert open_bench(str(folder / "bench.toml")) == open_bench(folder)


def test_cells_that_may_be_empty_may_be(folder: Path) -> None:
    optional = {k: "" for k in GOOD if k not in ("run", "technique", "vessel", "ice", "recipe", "trace")}
    book = with_sheet(folder, sheet(row(**optional)))
    assert book.findings == ()
    assert book.runs[0].drink_temp_c is None and book.runs[0].notes is None


@pytest.mark.parametrize("style", ["bom", "crlf", "cr", "trailing blanks", "no last newline", "quoted"])
def test_the_habits_of_spreadsheets_change_nothing(folder: Path, style: str) -> None:
    expected = open_bench(folder)
    plain = sheet(row())
    text = {
        "bom": "\ufeff" + plain,
        "crlf": plain.replace("\n", "\r\n"),
        "cr": plain.replace("\n", "\r"),
        "trailing blanks": plain + "\n,,,,\n   \n" + "," * 18 + "\n",
        "no last newline": plain.rstrip("\n"),
        "quoted": "\n".join(",".join(f'"{c}"' for c in line.split(",")) for line in plain.splitlines()),
    }[style]
    assert with_sheet(folder, text) == expected
    trace = {
        "bom": "\ufeff" + TRACE,
        "crlf": TRACE.replace("\n", "\r\n"),
        "trailing blanks": TRACE + "\n,,\n",
    }
    assert with_trace(folder, trace.get(style, TRACE)) == expected


@pytest.mark.parametrize(
    ("gone", "says"),
    [
        ("bench.toml", "bench.toml: the file is missing"),
        ("run_sheet.csv", "run_sheet.csv: the file is missing"),
    ],
)
def test_a_missing_file_is_named(folder: Path, gone: str, says: str) -> None:
    (folder / gone).unlink()
    with pytest.raises(BenchError, match=says):
        open_bench(folder)


def test_a_folder_of_loose_files_is_called_that_and_says_what_to_do(folder: Path) -> None:
    (folder / "bench.toml").unlink()
    (folder / "run_sheet.csv").unlink()
    with pytest.raises(BenchError, match=r"a folder of 1 loose file, with no bench\.toml.*chillrig import"):
        open_bench(folder)


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"nowhere: there is no such file or folder"):
        open_bench(tmp_path / "nowhere")


def test_a_file_is_not_taken_for_a_bench(folder: Path) -> None:
    with pytest.raises(BenchError, match="not a bench folder"):
        open_bench(folder / "run_sheet.csv")


def test_an_unknown_key_in_the_bench_is_kept_and_named(folder: Path) -> None:
    (folder / "bench.toml").write_text(BENCH.replace("mass_g = 235", 'mass_g = 235\ncolour = "red"'))
    book = open_bench(folder)
    assert book.bench.notes == {"vessels.two-piece steel.colour": "red"}
    finding = only(book, Gravity.NOTE)
    assert finding.place.file == "bench.toml" and finding.place.line == 4 and "colour" in finding.what


@pytest.mark.parametrize(
    ("column", "cure"),
    [
        ("garnish", ""),
        ("drink_temp_f", "Convert it to °C and name the column drink_temp_c"),
        ("Drink_temp_c", "Did you mean 'drink_temp_c'?"),
    ],
)
def test_an_unknown_column_is_kept_and_named(folder: Path, column: str, cure: str) -> None:
    header = HEADER.replace("drink_temp_c", column)
    book = with_sheet(folder, sheet(row(header, **{column: "77"}), header=header))
    finding = only(book)
    assert finding.gravity is Gravity.NOTE and finding.place.column == column and finding.place.line == 1
    assert finding.cure == cure or column == "garnish"
    assert book.runs[0].extra == {column: "77"} and book.runs[0].drink_temp_c is None


def test_a_column_that_is_there_twice_is_kept_under_another_name(folder: Path) -> None:
    book = with_sheet(folder, sheet(row() + ",99", header=HEADER + ",ice_mass_g"))
    assert only(book).gravity is Gravity.DOUBT
    assert book.runs[0].ice_mass_g == 210 and book.runs[0].extra == {"ice_mass_g (2)": "99"}


@pytest.mark.parametrize(
    ("column", "text", "what", "cure"),
    [
        ("drink_temp_c", "140", "140 lies outside", "If it is in °F, write 60"),
        ("ice_temp_c", "257.15", "257.15 lies outside", "If it is in K, write -16"),
        ("ice_temp_c", "3.2", "3.2 lies outside", "If it is in °F, write -16"),
        ("room_temp_c", "71.6", "71.6 lies outside", "If it is in °F, write 22"),
        ("ice_mass_g", "0.21", "0.21 lies outside", "If it is in kg, write 210"),
        ("drink_mass_g", "4.2", "4.2 lies outside", "if it is in oz, write 119.1"),
        ("drink_mass_g", "120 oz", "carries 'oz'", "Write the number alone, in g"),
        ("drink_mass_g", "120g", "carries 'g'", "Write the number alone, in g"),
        ("drink_temp_c", "24 °C", "carries '°C'", "Write the number alone, in °C"),
        ("duration_s", "12000", "12000 lies outside", "If it is in ms, write 12"),
        ("drink_mass_g", "-84", "-84 g is negative", "Correct the sign"),
        ("ice_mass_g", "-1e3", "-1000 g is negative", "Correct the sign"),
        ("drink_temp_c", "warm", "'warm' is not a number", "leave the cell empty"),
        ("drink_temp_c", "1_0", "'1_0'", "Write the number alone"),
        ("drink_temp_c", "NaN", "not a finite number", "Leave the cell empty"),
        ("drink_temp_c", "-inf", "not a finite number", "Leave the cell empty"),
        ("drink_temp_c", "1e999", "not a finite number", "Leave the cell empty"),
        ("drink_mass_g", '"1,084"', "may mark decimals or thousands", "thousands without a mark"),
        ("drink_mass_g", '"1,084.5"', "is not a number", "Write the number alone"),
        ("started_at", "09/03/2026 18:30", "not an ISO 8601 time", "year first"),
        ("target", "coup", "did you mean 'coupe'?", 'Add [targets."coup"]'),
        ("strained_mass_g", "40", "less than the drink's 84.5 g", "Check both weigh-ins"),
    ],
)
def test_a_cell_that_cannot_be_used_is_blanked_and_says_what_to_do(
    folder: Path, column: str, text: str, what: str, cure: str
) -> None:
    expected = open_bench(folder).runs[0]
    book = with_sheet(folder, sheet(row(**{column: text})))
    finding = only(book)
    assert finding.gravity is Gravity.LEFT_OUT
    assert what in finding.what and cure in finding.cure
    assert (finding.place.file, finding.place.line) == ("run_sheet.csv", 2)
    assert (finding.place.column, finding.place.run) == (column, "r1")
    (run,) = book.runs
    assert getattr(run, column) is None
    assert (run.run, run.duration_s or 12, run.trace) == ("r1", expected.duration_s, expected.trace)


@pytest.mark.parametrize("text", ["24", "24.", "+24", "2.4e1", " 24 ", "024", "24.0"])
def test_a_number_may_be_written_in_any_plain_way(folder: Path, text: str) -> None:
    book = with_sheet(folder, sheet(row(drink_temp_c=text)))
    assert book.runs[0].drink_temp_c == 24 and not book.findings


def test_a_typographic_minus_is_a_minus(folder: Path) -> None:
    book = with_sheet(folder, sheet(row(ice_temp_c="\N{MINUS SIGN}16")))
    assert book.runs[0].ice_temp_c == -16 and not book.findings


@pytest.mark.parametrize(
    ("cells", "column", "what", "cure"),
    [
        ({"run": ""}, "run", "no run is given", "Fill in run"),
        ({"vessel": ""}, "vessel", "no vessel is given", "Fill in vessel"),
        ({"technique": ""}, "technique", "no technique is given", "Fill in technique"),
        (
            {"vessel": "two-piece steal"},
            "vessel",
            "did you mean 'two-piece steel'?",
            '[vessels."two-piece steal"]',
        ),
        ({"ice": "freezer cubes"}, "ice", "did you mean 'freezer cube'?", '[ice."freezer cubes"]'),
        ({"recipe": "quay black"}, "recipe", "did you mean 'quayside black'?", '[recipes."quay black"]'),
        ({"run": "r1"}, "run", "run 'r1' is already on line 2", "a name of its own"),
        ({"drink_temp_c": "24,5"}, None, "20 cells where the header has 19", "decimals with a point"),
        ({"notes": '"open'}, None, "a quote does not close", "Remove the quote"),
    ],
)
def test_a_run_that_cannot_be_placed_is_left_out_and_its_neighbours_stay(
    folder: Path, cells: dict[str, str], column: str | None, what: str, cure: str
) -> None:
    bad = row(**{"run": "r2", "trace": "", **cells})
    book = with_sheet(folder, sheet(row(), bad, row(run="r3", trace="")))
    assert [r.run for r in book.runs] == ["r1", "r3"]
    finding = only(book)
    assert finding.gravity is Gravity.LEFT_OUT
    assert what in finding.what and cure in finding.cure
    assert (finding.place.line, finding.place.column) == (3, column)


def test_every_reason_is_reported_at_once(folder: Path) -> None:
    bad = row(run="r2", vessel="tin", ice="cloud", recipe="tea")
    worse = row(run="r3", trace="none.csv", drink_temp_c="hot", ice_mass_g="-1")
    book = with_sheet(folder, sheet(row(), bad, worse))
    places = [(f.place.line, f.place.column, f.gravity.name) for f in book.findings]
    assert places == [
        (3, "vessel", "LEFT_OUT"),
        (3, "ice", "LEFT_OUT"),
        (3, "recipe", "LEFT_OUT"),
        (4, "drink_temp_c", "LEFT_OUT"),
        (4, "ice_mass_g", "LEFT_OUT"),
        (4, "trace", "DOUBT"),
    ]


def test_a_short_row_is_read_and_doubted(folder: Path) -> None:
    book = with_sheet(folder, sheet(row().removesuffix(",brisk,coupe")))
    finding = only(book)
    assert finding.gravity is Gravity.DOUBT and "17 of 19 cells" in finding.what and finding.place.line == 2
    assert book.runs[0].strained_mass_g == 120.3 and book.runs[0].notes is None


def test_surplus_empty_cells_are_no_matter(folder: Path) -> None:
    assert with_sheet(folder, sheet(row() + ",,,")).findings == ()


def test_lines_stay_exact_after_a_cell_of_several_lines(folder: Path) -> None:
    book = with_sheet(
        folder, sheet(row(notes='"one\ntwo\nthree"'), row(run="r2", trace="", drink_temp_c="x"))
    )
    assert book.runs[0].notes == "one\ntwo\nthree"
    assert only(book).place.line == 5


def test_an_unknown_technique_is_noted_once(folder: Path) -> None:
    rows = [row(), *(row(run=f"r{n}", technique="tumble", trace="") for n in (2, 3))]
    book = with_sheet(folder, sheet(*rows))
    finding = only(book)
    assert (
        finding.gravity is Gravity.NOTE
        and finding.place.line == 3
        and '[techniques."tumble"]' in finding.cure
    )
    assert len(book.runs) == 3


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "the run sheet is empty"),
        ("\n\n", "the run sheet is empty"),
        ("run|technique|vessel\nr1|shake|tin\n", "Cells are separated by '|'"),
        ("name,ice_mass_g\nr1,210\n", "line 1: the run sheet has no column 'run', 'technique', 'vessel'"),
        (sheet(row()).encode("utf-16"), "not UTF-8 text. Save it as CSV UTF-8"),
    ],
)
def test_a_sheet_that_is_none_is_refused_with_the_reason(folder: Path, text: str | bytes, what: str) -> None:
    with pytest.raises(BenchError, match=r"^run_sheet\.csv.*") as caught:
        with_sheet(folder, text)
    assert what in str(caught.value)


def test_a_cell_that_is_not_utf_8_costs_that_cell_only(folder: Path) -> None:
    text = sheet(row(), row(run="r2", trace="", operator="Zoé"), row(run="r3", trace=""))
    book = with_sheet(folder, text.encode("cp1252"))
    finding = only(book)
    assert (finding.place.line, finding.place.column, finding.gravity) == (3, "operator", Gravity.DOUBT)
    assert "not UTF-8" in finding.what and "CSV UTF-8" in finding.cure
    assert str(finding).encode()  # printable although the bytes were not
    assert [r.operator for r in book.runs] == ["A", None, "A"]


def test_a_name_that_is_not_utf_8_costs_that_run_only(folder: Path) -> None:
    text = sheet(row(), row(run="é2", trace=""), row(run="r3", trace=""))
    book = with_sheet(folder, text.encode("cp1252"))
    assert [r.run for r in book.runs] == ["r1", "r3"]
    assert [f.gravity for f in book.findings] == [Gravity.DOUBT, Gravity.LEFT_OUT]
    assert all(str(f).encode() and f.place.line == 3 for f in book.findings)


def test_a_bench_that_is_not_utf_8_names_the_line(folder: Path) -> None:
    (folder / "bench.toml").write_bytes(BENCH.replace("coupe", "coupé").encode("cp1252"))
    with pytest.raises(BenchError, match=r"^bench\.toml, line 9: not UTF-8 text"):
        open_bench(folder)


def test_a_sheet_without_runs_is_a_bench_without_runs(folder: Path) -> None:
    (folder / "traces" / "r1.csv").unlink()
    book = with_sheet(folder, HEADER + "\n")
    assert book.runs == () and only(book).gravity is Gravity.NOTE


@pytest.mark.parametrize("name", ["r9.csv", "../../outside.csv", "/etc/hostname", "..", "x" * 5000])
def test_a_trace_that_is_not_there_costs_the_trace_only(folder: Path, name: str) -> None:
    (folder.parent / "outside.csv").write_text(TRACE)
    (folder / "traces" / "r1.csv").rename(folder / "traces" / "r8.csv")
    book = with_sheet(folder, sheet(row(trace=name)))
    finding = next(f for f in book.findings if f.gravity is Gravity.DOUBT)
    assert (finding.place.line, finding.place.column, finding.place.run) == (2, "trace", "r1")
    assert "the run goes without" in finding.what
    assert (book.runs[0].trace, book.runs[0].strained_mass_g) == (None, 120.3)


@pytest.mark.parametrize("name", ["r1", "r1.csv", "traces/r1.csv", "traces\\r1.csv"])
def test_a_trace_may_be_named_in_each_usual_way(folder: Path, name: str) -> None:
    book = with_sheet(folder, sheet(row(trace=name)))
    assert book.findings == () and book.runs[0].trace is not None


def test_a_trace_that_no_run_names_is_noted(folder: Path) -> None:
    (folder / "traces" / "r2.csv").write_text(TRACE)
    assert only(open_bench(folder), Gravity.NOTE).place.file == "traces/r2.csv"


def test_a_trace_of_two_runs_is_doubted(folder: Path) -> None:
    finding = only(with_sheet(folder, sheet(row(), row(run="r2"))))
    assert finding.gravity is Gravity.DOUBT and "also named by run 'r1'" in finding.what


@pytest.mark.parametrize(
    ("text", "line", "column", "what", "time_s", "probe_c"),
    [
        ("time_s,probe_c\n0,20\nx,19\n2,18\n", 3, "time_s", "'x' is not a number", [0, 2], [20, 18]),
        ("time_s,probe_c\n0,20\n,19\n2,18\n", 3, "time_s", "1 sample has no time", [0, 2], [20, 18]),
        ("time_s,probe_c\n0,20\n0,19\n2,18\n", 3, "time_s", "does not rise", [0, 2], [20, 18]),
        ("time_s,probe_c\n0,20\n5,19\n2,18\n6,17\n", 4, "time_s", "does not rise", [0, 5, 6], [20, 19, 17]),
        (
            "time_s,probe_c\n0,20\n1,ERR\n2,ERR\n3,18\n",
            3,
            "probe_c",
            "1 more",
            [0, 1, 2, 3],
            [20, None, None, 18],
        ),
        (
            "time_s,probe_c\n0,20\n1,-127\n2,18\n",
            3,
            "probe_c",
            "-127 lies outside",
            [0, 1, 2],
            [20, None, 18],
        ),
        (
            "time_s,probe_c\n0,20\n1,nan\n2,18\n",
            3,
            "probe_c",
            "not a finite number",
            [0, 1, 2],
            [20, None, 18],
        ),
        ("time_s,probe_c\n0,20\n1,1_9\n2,18\n", 3, "probe_c", "'1_9'", [0, 1, 2], [20, None, 18]),
        ("time_s,probe_c\n0,20\n1,19,5\n2,18\n", 3, None, "more cells than the header", [0, 2], [20, 18]),
        ('time_s,probe_c\n0,20\n1,"19\n2,18\n', 3, None, "a quote that does not close", [0, 2], [20, 18]),
        ("time_s,probe_c,probe_c\n0,20,1\n2,18,1\n", 1, "probe_c", "there twice", [0, 2], [20, 18]),
    ],
)
def test_a_bad_sample_costs_that_sample_only(
    folder: Path,
    text: str,
    line: int,
    column: str | None,
    what: str,
    time_s: list[float],
    probe_c: list[float | None],
) -> None:
    book = with_trace(folder, text)
    finding = only(book)
    assert finding.gravity is Gravity.DOUBT and what in finding.what
    assert (finding.place.file, finding.place.line) == ("traces/r1.csv", line)
    assert (finding.place.column, finding.place.run) == (column, "r1")
    trace = book.runs[0].trace
    assert trace is not None and trace.probe_c is not None
    np.testing.assert_array_equal(trace.time_s, time_s)
    np.testing.assert_array_equal(trace.probe_c, np.array(probe_c, dtype=float))


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("t,temp\n0,20\n1,19\n", "no time_s column"),
        ("0,20\n1,19\n", "no time_s column"),
        ("time_s|probe_c\n0|20\n", "no time_s column"),
        ("", "no time_s column"),
        ("time_s,probe_c\n", "no usable sample"),
        ("time_s,probe_c\n5,20\n4,19\n3,18\n2,17\n", "time does not rise in most of the trace"),
        ("time_s,probe_c\n0,140\n1,130\n", "no reading beside its time"),
        ("time_s,temperature\n0,20\n1,19\n", "no reading beside its time"),
        ("time_s,probe_c\n0,20\n".encode("utf-16"), "not UTF-8 text"),
    ],
)
def test_a_trace_that_cannot_be_used_costs_the_trace_only(folder: Path, text: str | bytes, what: str) -> None:
    book = with_trace(folder, text)
    assert book.runs[0].trace is None and book.runs[0].strained_mass_g == 120.3
    assert any(what in f.what and f.gravity is Gravity.DOUBT for f in book.findings)
    assert all(f.place.file == "traces/r1.csv" and f.place.run == "r1" for f in book.findings)


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_a_trace_with_decimal_commas_is_the_same_trace(folder: Path, delimiter: str) -> None:
    points = "time_s,probe_c,scale_g\n-0.5,21.4,\n0.25,20.1,310.5\n1.5,-1.5,\n"
    commas = points.replace(",", delimiter).replace(".", ",")
    flawed = commas.replace("-1,5", "soon")
    plain = with_trace(folder, points)
    assert with_trace(folder, commas) == plain and not plain.findings
    trace = with_trace(folder, flawed).runs[0].trace
    assert trace is not None and trace.probe_c is not None
    np.testing.assert_array_equal(trace.probe_c, [21.4, 20.1, np.nan])


def test_thousands_in_a_trace_with_semicolons_are_not_taken_for_decimals(folder: Path) -> None:
    book = with_trace(folder, "time_s;probe_c;scale_g\n0;20,5;1,250\n1;20,1;1,300\n")
    assert "may mark decimals or thousands" in only(book).what and only(book).place.column == "scale_g"
    trace = book.runs[0].trace
    assert trace is not None and trace.scale_g is None and trace.probe_c is not None


def test_a_run_sheet_with_semicolons_and_decimal_commas_is_the_same_sheet(folder: Path) -> None:
    plain = open_bench(folder)
    path = folder / "run_sheet.csv"
    lines = path.read_text().splitlines()
    assert '"' not in "".join(lines)
    path.write_text(
        "\n".join(line.replace(",", ";").replace(".", ",") for line in lines).replace(",csv", ".csv")
    )
    assert open_bench(folder).runs == plain.runs


def test_a_file_of_another_logger_serves_as_a_trace_from_where_its_probe_falls(folder: Path) -> None:
    rows = "".join(f"{i / 2};{20 if i < 20 else 20 - min(i - 20, 20)}\n".replace(".", ",") for i in range(60))
    book = with_trace(folder, f"Zeit (s);Fühler (°C)\n{rows}")
    (note,) = [f for f in book.findings if f.place.run == "r1"]
    assert note.gravity is Gravity.NOTE and "motion starts at" in note.what
    trace = book.runs[0].trace
    assert trace is not None and trace.time_s[0] == pytest.approx(-10.0, abs=0.6)


def test_a_probe_in_fahrenheit_is_named_with_its_conversion(folder: Path) -> None:
    book = with_trace(folder, "time_s,probe_c,probe_lid_c\n0,140,20\n1,130,19\n")
    finding = only(book)
    assert "1 more such cells" in finding.what and finding.cure == "If it is in °F, write 60"
    trace = book.runs[0].trace
    assert trace is not None and list(trace.probes_c) == ["lid"]


def test_named_probes_and_all_other_channels_are_read(folder: Path) -> None:
    text = "time_s,probe_tin_wall_c,cadence_hz,room_c,probe_c,mood\n0,20,3.1,21,24,ok\n1,18,3,21,22,ok\n"
    book = with_trace(folder, text)
    assert only(book).gravity is Gravity.NOTE and "'mood' is not read" in only(book).what
    trace = book.runs[0].trace
    assert trace is not None
    assert set(trace.channels()) == {"time_s", "probe_c", "probe_tin_wall_c", "room_c", "cadence_hz"}
    np.testing.assert_array_equal(trace.probes_c["tin_wall"], [20, 18])


def test_a_probe_whose_name_is_not_utf_8_is_named_and_not_read(folder: Path) -> None:
    book = with_trace(folder, "time_s,probe_c,probe_é_c\n0,20,21\n1,18,19\n".encode("cp1252"))
    assert only(book).gravity is Gravity.NOTE and "is not read" in only(book).what
    assert str(only(book)).encode()
    trace = book.runs[0].trace
    assert trace is not None and list(trace.probes_c) == [""]
