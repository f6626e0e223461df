"""Runs read back from the JSON that `write_bench.book_json` wrote."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from rig.bench import parse_bench
from rig.errors import BenchError, Place
from rig.importing.book_records import FORMAT, run_of, trace_of
from rig.runs import Finding, Gravity, RunBook


def book_from_json(text: str, file: str) -> RunBook | None:
    """The bench, runs and findings of a JSON text; None where it is no JSON of ours.

    Raises
    ------
    BenchError
        Where it is ours and an entry of it is damaged.
    """
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if not isinstance(value, dict) or value.get("format") != FORMAT:
        return None
    try:
        bench, _ = parse_bench(value["bench_toml"], file)
        runs = tuple(
            run_of(r | {"extra": json.dumps(r["extra"])}, _trace(r["trace"]), file) for r in value["runs"]
        )
        findings = tuple(
            Finding(Gravity(f["gravity"]), f["what"], Place(**f["place"]), f["cure"])
            for f in value["findings"]
        )
    except BenchError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError) as error:
        raise BenchError(f"the runs are damaged ({error})", Place(file), "Export them again") from error
    return RunBook(bench, runs, findings)


def _trace(channels: dict[str, Any] | None) -> Any:
    if channels is None:
        return None
    return trace_of(
        {
            n: np.array([np.nan if v is None else v for v in values], dtype=np.float64)
            for n, values in channels.items()
        }
    )
