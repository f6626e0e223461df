"""What cannot be done is told in one line on stderr, with exit code 1, or 2 where the usage is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.conftest import Chillrig, Said

ASK = (
    "advise", "--technique", "shake", "--vessel", "steel tin", "--ice", "freezer cube",
    "--recipe", "night shift",
)  # fmt: skip


def with_option(option: str, *values: str) -> tuple[str, ...]:
    """The question with one option given anew."""
    arguments = list(ASK)
    if option in arguments:
        at = arguments.index(option)
        arguments[at + 1 : at + 2] = values
    else:
        arguments += [option, *values]
    if not {"--target", "--dilution-by-volume", "--serve-temp-c-max"} & set(arguments):
        arguments += ["--target", "coupe"]
    return tuple(arguments)


def assert_one_line(said: Said, code: int = 1) -> None:
    assert (said.code, said.out) == (code, "")
    assert said.err.startswith("chillrig: ")
    assert said.err.count("\n") == 1
    assert "Traceback" not in said.err


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (with_option("--vessel", "steel tn"), "did you mean 'steel tin'?"),
        (with_option("--ice", "freezer cub"), "did you mean 'freezer cube'?"),
        (with_option("--recipe", "nite shift"), "did you mean 'night shift'?"),
        (with_option("--technique", "shak"), "did you mean 'shake'?"),
        (with_option("--target", "cupe"), "did you mean 'coupe'?"),
        (with_option("--drink-temp-c", "400"), "drink_temp_c"),
        (with_option("--ice-temp-c", "20"), "ice_temp_c"),
        (with_option("--ice-mass-g", "-3"), "ice_mass_g"),
        (with_option("--dilution-by-volume", "0.4", "0.3"), "0 ≤ low < high"),
        (("fit", "--ice", "wet cub"), "did you mean 'wet cube'?"),
        (("runs", "--recipe", "night shft"), "did you mean 'night shift'?"),
        (("runs", "b33"), "did you mean"),
        (("compare", "--ice", "freezer cube"), "needs two set-ups"),
        (("compare", "--duration-s", "-1"), "duration_s"),
        (("compare", "--target", "coup"), "did you mean 'coupe'?"),
        (("runs", "--exclude", "zz", "--why", "spilled"), "no run 'zz'"),
        (("runs", "b1", "--set", "strained_mas_g=3", "--why", "slip"), "did you mean 'strained_mass_g'?"),
        (("runs", "b1", "--set", "strained_mass_g=heavy", "--why", "slip"), "not a number"),
        (("runs", "b1", "--set", "vessel=steel tn", "--why", "slip"), "did you mean 'steel tin'?"),
        (("fit", "--bench-name", "cornr"), "did you mean 'corner'?"),
    ],
    ids=lambda x: " ".join(x) if isinstance(x, tuple) else None,
)
def test_a_thing_that_cannot_be_is_told_in_one_line_that_helps(
    chillrig: Chillrig, logbook: Path, arguments: tuple[str, ...], told: str
) -> None:
    said = chillrig(*arguments, "--logbook", logbook)
    assert_one_line(said)
    assert told in said.err


@pytest.mark.parametrize("command", ["runs", "fit", "compare", "report"])
def test_a_bench_folder_that_is_not_there_is_told(chillrig: Chillrig, command: str) -> None:
    said = chillrig(command, "--bench", "nowhere")
    assert_one_line(said)
    assert "nowhere" in said.err


def test_a_mistyped_logbook_is_told_and_not_made_anew(chillrig: Chillrig, tmp_path: Path) -> None:
    said = chillrig("fit", "--logbook", "bra.sqlite")
    assert_one_line(said)
    assert "bra.sqlite" in said.err
    assert not (tmp_path / "bra.sqlite").exists()


@pytest.mark.parametrize("command", ["fit", "runs", "compare", "report"])
def test_with_nothing_imported_the_first_steps_are_told(chillrig: Chillrig, command: str) -> None:
    said = chillrig(command)
    assert_one_line(said)
    assert all(step in said.err for step in ("chillrig import", "--bench", "chillrig demo"))


def test_a_logbook_that_is_no_logbook_is_told(chillrig: Chillrig, tmp_path: Path) -> None:
    (tmp_path / "notes.sqlite").write_text("tip jar: 12\n" * 400)
    assert_one_line(chillrig("fit", "--logbook", "notes.sqlite"))


def test_a_table_among_bench_folders_is_declined_by_import_in_words_that_help(
    chillrig: Chillrig, tmp_path: Path, bench: Path
) -> None:
    (tmp_path / "log.csv").write_text("time_s,probe_c\n0,20\n")
    said = chillrig("import", bench, "log.csv")
    assert_one_line(said)
    assert "a bench folder is expected" in said.err


def test_an_import_of_which_one_folder_is_bad_stores_nothing(
    chillrig: Chillrig, bench: Path, tmp_path: Path
) -> None:
    said = chillrig("import", bench, "nowhere", "--logbook", "new.sqlite")
    assert_one_line(said)
    assert not (tmp_path / "new.sqlite").exists()


def test_several_benches_and_none_named_is_told_with_their_names(
    chillrig: Chillrig, bench: Path, tmp_path: Path
) -> None:
    for name in ("one", "two"):
        assert chillrig("import", bench, "--as", name, "--logbook", "new.sqlite").code == 0
    said = chillrig("fit", "--logbook", "new.sqlite")
    assert_one_line(said)
    assert "--bench-name one | two" in said.err


def test_a_page_that_is_there_is_not_replaced_unasked(
    chillrig: Chillrig, logbook: Path, tmp_path: Path
) -> None:
    page = tmp_path / "mine.html"
    page.write_text("keep me")
    assert_one_line(chillrig("report", "--logbook", logbook, "--to", page))
    assert page.read_text() == "keep me"


def test_corrections_of_a_folder_are_sent_to_the_logbook(chillrig: Chillrig, bench: Path) -> None:
    said = chillrig("runs", "--bench", bench, "--exclude", "a1", "--why", "spilled")
    assert_one_line(said)
    assert "run_sheet.csv" in said.err


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"title = ",
        b"\xff\xfe\x00",
        b'[vessels."x"]\nmass_g = -3\n',
        b'[vessels."x"]\nmass_g = "heavy"\n',
        b"vessels = 3\n",
        b'[recipes."x"]\ningredients = []\n',
    ],
)
def test_a_bench_file_of_any_kind_never_ends_in_a_traceback(
    chillrig: Chillrig, bench: Path, tmp_path: Path, content: bytes
) -> None:
    home = tmp_path / "odd"
    home.mkdir()
    (home / "bench.toml").write_bytes(content)
    (home / "run_sheet.csv").write_bytes((bench / "run_sheet.csv").read_bytes())
    for command in ("fit", "runs"):
        said = chillrig(command, "--bench", home)
        assert said.code in (0, 1)
        if said.code:
            assert_one_line(said)


@pytest.mark.parametrize(
    "content",
    [b"", b"\n\n", b"run\n", b"run,technique,vessel,ice,recipe\n", b"\x00\x01\x02", b'"', b"a;b;c\n1;2;3\n"],
)
def test_a_run_sheet_of_any_kind_never_ends_in_a_traceback(
    chillrig: Chillrig, bench: Path, tmp_path: Path, content: bytes
) -> None:
    home = tmp_path / "odd"
    home.mkdir()
    (home / "bench.toml").write_bytes((bench / "bench.toml").read_bytes())
    (home / "run_sheet.csv").write_bytes(content)
    said = chillrig("fit", "--bench", home)
    assert_one_line(said)


@pytest.mark.parametrize(
    "arguments",
    [
        ("advise",),
        ("advise", "--technique", "shake"),
        (*ASK, "--dilution-by-volume", "0.3"),
        (*ASK, "--drink-temp-c", "warm"),
        (*ASK, "--no-such-option"),
        ASK,
        ("no-such-command",),
        ("import",),
        ("export", "--as", "spreadsheet"),
        ("export",),
        ("runs", "--exclude", "b1"),
        ("runs", "--set", "notes=x", "--why", "y"),
        ("runs", "b1", "--set", "notes", "--why", "y"),
        ("fit", "--bench", "x", "--bench-name", "y"),
        ("dashboard", "--port", "70000"),
    ],
    ids=lambda x: " ".join(x),
)
def test_wrong_usage_leaves_with_2_and_says_what_is_wrong(
    chillrig: Chillrig, logbook: Path, arguments: tuple[str, ...]
) -> None:
    said = chillrig(*arguments, env={"CHILLRIG_LOGBOOK": str(logbook)})
    assert (said.code, said.out) == (2, "")
    assert "Error: " in said.err
    assert "Traceback" not in said.err


@pytest.mark.parametrize(
    ("arguments", "option", "told"),
    [
        (with_option("--drink-temp-c", "nan"), "--drink-temp-c", "'nan' is not a number"),
        (
            with_option("--drink-temp-c", "24 g"),
            "--drink-temp-c",
            "'g' after its number; give the number, in °C",
        ),
        (with_option("--ice-mass-g", "1,250"), "--ice-mass-g", "may be 1.250 or 1250"),
        (with_option("--dilution-by-volume", "nan", "0.3"), "--dilution-by-volume", "'nan' is not a number"),
        (
            with_option("--dilution-by-volume", "30", "1e999"),
            "--dilution-by-volume",
            "is not a finite number",
        ),
        (("recipe", "properties", "night shift", "--glass-ml", "big"), "--glass-ml", "'big' is not a number"),
    ],
)
def test_what_is_no_number_is_told_with_its_option(
    chillrig: Chillrig, bench: Path, arguments: tuple[str, ...], option: str, told: str
) -> None:
    said = chillrig(*arguments, "--bench", bench)
    words = " ".join(said.err.replace("│", " ").split())
    assert said.code == 2 and told in words and f"Invalid value for {option}" in words
