"""Where files, folders and archives are chosen or dropped; the page's script sends them piece by piece."""

from __future__ import annotations

import json
from typing import Any

from dash import dcc, html

from dashboard.controls import aria
from dashboard.uploads import BEGIN, OFFSET, PIECE_BYTES
from rig.bench import BENCH_FILE
from rig.importing.bench_folder import TABLE_ENDINGS

_ENDINGS = (*sorted(TABLE_ENDINGS), ".zip", BENCH_FILE)
"""What is taken out of a folder. A bench folder is told by its own file, and told apart on the server."""


def drop_zone(prefix: str) -> html.Div:
    """The place; once all files have come, the store `prefix`-files holds their ids and names."""
    facts: dict[str, Any] = {
        "data-facts": json.dumps(
            {"begin": BEGIN, "offset": OFFSET, "piece": PIECE_BYTES, "endings": _ENDINGS, "store": f"{prefix}-files"}
        )
    }  # fmt: skip
    bar = html.Div(html.Div(), className="progress", role="progressbar", **aria(label="Sent"))
    return html.Div(
        [
            html.Div(
                [
                    html.Button("Choose files", className="do upload-files"),
                    html.Button("Choose a folder", className="quiet-do upload-folder"),
                ],
                className="bench-press",
            ),
            html.P(
                "or drop them here: any number, of any size that the disk has room for, folders and .zip archives too. "
                "What was cut off goes on where it stopped."
            ),
            html.Div(
                [bar, html.P(className="upload-far"), html.Button("Stop", className="less upload-stop")],
                className="upload-way",
                hidden=True,
            ),
            html.P(className="upload-said", role="status"),
            dcc.Store(id=f"{prefix}-files"),
        ],
        id=f"{prefix}-zone",
        className="bring-drop",
        **facts,
    )
