"""What one file was taken for, as blocks: its first rows, its columns, what was left out, what it leaves open."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard.controls import aria, notice, table
from dashboard.questions.bring_in import OFFER, QUESTION, Look, said_of
from rig.importing.proposal import Proposal, ProposedColumn, Question
from rig.importing.tabular.likeness import Offer
from rig.importing.tabular.profile import TimeUnit, Use

TYPE = "bring-answer"
Options = Sequence[tuple[str, str]]
MEASURES: Options = (
    ("", "as the file says"),
    *((u, f"in {u}") for u in ("°C", "°F", "K", "g", "kg", "oz", "lb")),
    ("humidity", "humidity"),
    ("ignore", "leave it out"),
)
USES: Options = (
    ("", "as its name says"),
    (Use.PROBE.value, "probe"),
    (Use.SCALE.value, "scale"),
    (Use.ROOM.value, "room"),
    (Use.CADENCE.value, "cadence"),
    (Use.IGNORE.value, "nothing"),
)
TIME_UNITS: Options = (("", "as the file says"), *((u.value, u.value) for u in TimeUnit))
DATES: Options = (("", "as the file says"), ("day first", "day first"), ("month first", "month first"))
DECIMALS: Options = (("", "as the file says"), (".", "point"), (",", "comma"))
_MOST_COLUMNS = 40
_MOST_SAID = 12


def look_block(number: int, look: Look) -> html.Section:
    """One file, with the questions that must be answered first before all else."""
    if look.proposal is None:
        return html.Section(
            [html.H2(look.file), notice(f"This file cannot be read. {look.refused}.")], className="bring-file"
        )
    proposal = look.proposal
    profile = html.P(f"Read by the answers kept as {look.profile}.") if look.profile else None
    asked = [_question(number, k, q) for k, q in enumerate(proposal.questions)]
    return html.Section(
        [
            html.H2(look.file),
            profile,
            _offered(number, proposal.offer),
            *asked,
            _first_rows(look.file, proposal),
            *_taken(number, look, proposal),
            html.Details([html.Summary("Read the file otherwise"), _whole_file(number, look, proposal)]),
        ],
        className="bring-file",
    )


def _question(number: int, k: int, question: Question) -> html.Fieldset:
    where = f" (line {question.line})" if question.line else ""
    text = f"{question.text[:1].upper()}{question.text[1:]}{where}"
    id_ = {"type": TYPE, "file": number, "part": QUESTION, "of": str(k)}
    control: Any
    if question.choices:
        options = [{"value": c, "label": c} for c in question.choices]
        control = dcc.RadioItems(id=id_, options=options, className="chips")
    else:
        control = html.Label(
            ["Answer", dcc.Input(id=id_, type="text", autoComplete="off", maxLength=100, className="written")]
        )
    return html.Fieldset([html.Legend(text), control], className="bring-question")


def _offered(number: int, offer: Offer | None) -> html.Fieldset | None:
    if offer is None:
        return None
    choices = [
        {"value": offer.name, "label": f"read it by the answers kept as {offer.name}"},
        {"value": "", "label": "leave it as it reads by itself"},
    ]
    id_ = {"type": TYPE, "file": number, "part": OFFER, "of": ""}
    return html.Fieldset(
        [
            html.Legend(f"This file is {offer}"),
            dcc.RadioItems(id=id_, options=choices, value="", className="chips"),
        ],
        className="bring-question",
    )


def _first_rows(file: str, proposal: Proposal) -> Any:
    if not proposal.preview:
        return None
    # what is wider than the page is scrolled, by keyboard too
    return html.Figure(
        [
            html.Figcaption("First rows, as they stand in the file"),
            html.Pre(
                "\n".join(proposal.preview), tabIndex=0, role="region", **aria(label=f"First rows of {file}")
            ),
        ]
    )


def _taken(number: int, look: Look, proposal: Proposal) -> list[Any]:
    """The columns with what each was taken for, the time, and what was left out."""
    rows = [
        (
            f"{c.position}. {c.header}" if c.header else str(c.position),
            c.taken_for or "open",
            c.why or "the question above comes first",
            _change(look, number, c),
        )
        for c in proposal.columns[:_MOST_COLUMNS]
    ]
    heads = ("Column", "Taken for", "Why", "If that is wrong")
    out: list[Any] = [table("What each column was taken for", heads, rows, "bring-columns")] if rows else []
    if len(proposal.columns) > _MOST_COLUMNS:
        out.append(html.P(f"The first {_MOST_COLUMNS} of {len(proposal.columns)} columns are shown."))
    if proposal.table is None:
        return out
    out.append(html.P(f"Time: {proposal.time_basis or 'from the rows'}."))
    said = [
        f"{c.name}: {len(c.value)} readings, {c.value.min():.4g} to {c.value.max():.4g} {c.unit}, "
        f"over {c.time_s[-1] - c.time_s[0]:.4g} s"
        for c in proposal.table.channels
    ]
    said += [f"left out: {d}" for d in proposal.dropped]
    said += proposal.notes
    more = [f"and {len(said) - _MOST_SAID} more"] if len(said) > _MOST_SAID else []
    out.append(
        html.Ul([html.Li(s.replace(" -", " −")) for s in [*said[:_MOST_SAID], *more]], className="sentences")
    )
    return out


def _change(look: Look, number: int, column: ProposedColumn) -> html.Details:
    """What a column measures and serves as; what is settled that is none of the choices is offered as well."""
    of = str(column.position)
    return html.Details(
        [
            html.Summary(["Change", html.Span(f" column {of}", className="unseen")]),
            _select(number, "columns", of, f"Column {of} measures", MEASURES, said_of(look, "columns", of)),
            _select(number, "uses", of, f"Column {of} serves as", USES, said_of(look, "uses", of)),
        ]
    )


def _select(number: int, part: str, of: str, label: str, options: Options, value: str) -> html.Div:
    known = [v for v, _ in options]
    offered = [*options, *([(value, value)] if value not in known else [])]
    return html.Div(
        [
            html.Span(label, className="legend"),
            dcc.RadioItems(
                id={"type": TYPE, "file": number, "part": part, "of": of},
                options=[{"value": v, "label": words} for v, words in offered],
                value=value,
                className="chips",
            ),
        ],
        className="control",
        role="group",
        **aria(label=label),
    )


def _whole_file(number: int, look: Look, proposal: Proposal) -> html.Div:
    """The settings of the whole file; one that a question asks for is only asked there."""
    s, asked = look.settings, {q.setting for q in proposal.questions}
    columns = [("", "as the file says")] + [
        (str(n), f"{n}. {h}" if h else str(n)) for n, h in enumerate(proposal.headers[:_MOST_COLUMNS], 1)
    ]
    dates = "" if s.day_first is None else "day first" if s.day_first else "month first"
    picks: list[tuple[str, str, Options, str]] = [
        ("time_column", "Column that tells time", columns, s.time_column or ""),
        ("time_unit", "What its numbers count", TIME_UNITS, "" if s.time_unit is None else s.time_unit.value),
        ("day_first", "Dates", DATES, dates),
        ("decimal", "Mark before decimals", DECIMALS, s.decimal or ""),
    ]
    parts: list[Any] = [
        _select(number, k, "", words, options, value) for k, words, options, value in picks if k not in asked
    ]
    if "interval_s" not in asked:
        line = dcc.Input(
            id={"type": TYPE, "file": number, "part": "interval_s", "of": ""},
            type="text",
            value="" if s.interval_s is None else f"{s.interval_s:g}",
            autoComplete="off",
            maxLength=20,
            className="written",
        )
        label = html.Label(["Seconds between rows, where no column tells time", line], className="legend")
        parts.append(html.Div(label, className="control"))
    return html.Div(parts, className="bring-two")
