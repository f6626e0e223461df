"""chillrig: log a drink while it is made, learn how it chills and dilutes, know when to stop.

The names below are the stable Python interface; they load on first use, so that `import rig` opens nothing
and costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rig.bench import Target as Target

_WHERE = {
    "open_bench": "rig.importing.bench_folder",
    "fit": "rig.fitting",
    "advise": "rig.advice.call.call",
    "compare": "rig.advice.compare.compare",
    "rank": "rig.advice.compare.rank",
    "what_changed": "rig.advice.compare.what_changed",
    "shares": "rig.advice.compare.shares",
    "Target": "rig.bench",
    "RigError": "rig.errors",
    "TableRefused": "rig.errors",
    "read_table": "rig.importing.tables",
    "to_frame": "rig.report.notebook",
    "figure": "rig.report.notebook",
}

__all__ = list(_WHERE)


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module 'rig' has no attribute {name!r}")
    return getattr(import_module(_WHERE[name]), name)
