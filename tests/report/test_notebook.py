"""Frames and figures for notebooks; the README's example runs as it stands."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest

import rig
from rig.advice.compare.compare import compare
from rig.fitting import Fit
from rig.importing.tables import table_from_bytes
from tests.shared_fits import fitted

ROOT = Path(rig.__file__).parents[1]


def test_the_example_of_the_readme_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (code,) = re.findall(
        r"```python\n(import rig\n.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.S
    )
    assert code.count("\n") <= 14
    (tmp_path / "sample_logs").symlink_to(ROOT / "sample_logs")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(go.Figure, "show", lambda self: None)
    exec(compile(code, "README.md", "exec"), {})  # our own text, as a reader would paste it
    assert (tmp_path / "compared.html").stat().st_size > 1000


def test_the_three_questions_of_the_readme_are_answered_as_it_says() -> None:
    (code,) = re.findall(
        r"```python\n(ranked = .*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.S
    )
    bench = rig.open_bench(ROOT / "sample_logs" / "harbour")
    known = {"rig": rig, "bench": bench, "fit": fitted(bench)}
    answers = [eval(line, known) for line in _run(code, known)]
    (leads, order), changed, parts = answers
    assert leads in bench.bench.vessels and order[0].startswith(f"{leads}: lands ")
    operators = frozenset(("Ines", "Mara", "Tobit"))
    assert changed[0].startswith("Nothing differs by operator") or any(o in changed[0] for o in operators)
    pairs = [operators & set(re.findall(r"\w+", sentence)) for sentence in changed]
    assert {p for p in pairs if len(p) == 2} == {operators - {o} for o in operators}
    assert parts[0].startswith("End temperature after ")


def _run(code: str, known: dict[str, object]) -> list[str]:
    """Run the statements of our own text; its bare expressions, for whoever wants their values."""
    tree = ast.parse(code)
    told = [n for n in tree.body if not isinstance(n, ast.Expr)]
    exec(compile(ast.Module(told, []), "README.md", "exec"), known)
    return [ast.unparse(n.value) for n in tree.body if isinstance(n, ast.Expr)]


def test_runs_and_traces_come_as_frames_with_their_names_and_numbers(fit: Fit) -> None:
    runs = rig.to_frame(fit.book)
    assert list(runs.index) == [r.run for r in fit.book.runs]
    assert runs.loc["a1", "ice_mass_g"] == fit.book.runs[0].ice_mass_g
    run = next(r for r in fit.book.runs if r.trace is not None)
    assert run.trace is not None and run.trace.probe_c is not None
    trace = rig.to_frame(run)
    assert trace.index.name == "time_s"
    np.testing.assert_array_equal(trace["probe_c"], run.trace.probe_c)
    table = table_from_bytes(b"t [s];T [\xc2\xb0C]\n0;20\n1;19\n", "a.csv")
    assert rig.to_frame(table)["value"].tolist() == [20.0, 19.0]


def test_fit_and_comparison_come_as_frames_and_figures(fit: Fit) -> None:
    seen = rig.to_frame(fit)
    assert seen.loc["a1", "verdict"] == next(r for r in fit.runs if r.run == "a1").verdict.value
    found = compare(fit)
    frame = rig.to_frame(found)
    summary = next(s for s in found.summaries if s.temp_c is not None)
    assert summary.temp_c is not None
    row = frame.loc[(summary.set_up.technique, summary.set_up.vessel, summary.set_up.ice)]
    assert row["temp_c_p50"] == summary.temp_c[1]
    drawn = (rig.figure(found), rig.figure(fit, recipe="night shift"), rig.figure(fit.book.runs[0]))
    assert all(isinstance(f, go.Figure) and len(f.data) for f in drawn)


def test_what_has_no_frame_says_what_has_one() -> None:
    with pytest.raises(rig.RigError, match="give runs, a trace"):
        rig.to_frame(3)
    with pytest.raises(rig.RigError, match="give a run, a fit"):
        rig.figure("x")
