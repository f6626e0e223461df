"""What tables were taken for, shown; and the questions they leave open, asked."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from rig.cli.printing import bullets, finding_json, say, table
from rig.cli.source import quoted
from rig.errors import RigError

if TYPE_CHECKING:
    from rig.cli.bring_in.stored import Told
    from rig.importing.proposal import Proposal, Question
    from rig.importing.table_run import Joined
    from rig.importing.tabular.likeness import Offer
    from rig.importing.tabular.profile import TableProfile
    from rig.importing.weighing_in import Step
    from rig.logbook.store import Logbook as OpenLogbook
    from rig.runs import RunBook

_OPTION = {
    "day_first": "--dates",
    "interval_s": "--interval-s",
    "time_unit": "--time-unit",
    "time_column": "--time-column",
    "decimal": "--decimal",
    "sheet": "--sheet",
    "recording": "--recording",
    "curves": "--curves",
    "columns": "--unit",
}
_SPELLED = {",": "comma", ".": "point", "day first": "day-first", "month first": "month-first"}


def first_looks(paths: Sequence[Path], told: Told, opened: OpenLogbook | None) -> list[Proposal]:
    """The proposal of each file by the options and the profiles that fit.

    Raises
    ------
    RigError
        Where an option names a column that no file has.
    """
    from rig.importing.tabular.profile import TableProfile

    look_at = looking(told, opened, TableProfile().with_settings(told.settings))
    looks = [look_at(path) for path in paths]
    for name in (*told.columns, *told.uses):
        if all(look.headers and name.strip().casefold() not in _columns_of(look) for look in looks):
            headers = ", ".join(repr(h) for look in looks for h in look.headers if h)
            raise RigError(f"no file has a column {name!r}. Columns: {headers or 'by number from 1'}")
    return looks


def looking(told: Told, opened: OpenLogbook | None, settings: TableProfile) -> Callable[..., Proposal]:
    """How a file is looked at: by the kept answers that are named, else by those for files of its shape."""
    from rig.importing.proposal import propose_by, propose_by_named
    from rig.logbook.profiles import profile_named, profiles

    if opened is None or told.profile is None:
        return partial(propose_by, () if opened is None else profiles(opened), told=settings)
    return partial(propose_by_named, profile_named(opened, told.profile), told=settings)


def settled(proposal: Proposal, told: Told) -> Proposal:
    """The proposal with every question answered: by options, or by a person at a terminal.

    Raises
    ------
    RigError
        Where a question is open and nobody is there to ask; it names the option that answers it.
    """
    from rig.importing.proposal import answered

    proposal = _with_columns(proposal, told)
    while proposal.questions:
        question = proposal.questions[0]
        if told.as_json or not (sys.stdin.isatty() and sys.stdout.isatty()):
            raise RigError(asked(proposal, question))
        proposal = answered(proposal, question.answer(_prompted(proposal, question)))
        proposal = _with_columns(proposal, told)
    return proposal


def _with_columns(proposal: Proposal, told: Told) -> Proposal:
    """What was told of columns, where this file has them."""
    from rig.importing.proposal import answered

    if not (told.columns or told.uses):
        return proposal
    known = _columns_of(proposal)
    parts: dict[str, dict[str, str]] = {}
    for name, said in (("columns", told.columns), ("uses", told.uses)):
        mine = {k: v for k, v in said.items() if k.strip().casefold() in known}
        if mine:
            parts[name] = mine
    return answered(proposal, parts) if parts else proposal


def _columns_of(proposal: Proposal) -> set[str]:
    """Every way to name one of a file's columns: by header, by name without unit, by number."""
    from rig.importing.tabular.units_in_text import heading_from

    known = {str(n) for n in range(1, len(proposal.headers) + 1)}
    for header in proposal.headers:
        known |= {header.casefold(), heading_from(header).name.casefold()}
    if proposal.table is not None:
        known |= {c.name.casefold() for c in proposal.table.channels}
    return known


def asked(proposal: Proposal, question: Question) -> str:
    """A question as one line that names the option which answers it."""
    option = _OPTION.get(question.setting, f"--{question.setting.replace('_', '-')}")
    choices = [_SPELLED.get(c, c) for c in question.choices]
    if question.setting == "columns":
        ways = " or ".join(f'{option} "{question.column}={c}"' for c in choices[:3])
    elif question.setting == "interval_s":
        ways = f"{option} 0.2 (seconds between rows)"
    else:
        ways = " or ".join(f"{option} {c}" for c in choices[:4]) or option
    where = f"{proposal.file}{f', line {question.line}' if question.line else ''}"
    offer = f". It is {_offered(proposal.offer)}" if proposal.offer is not None else ""
    return f"{where}: {question.text}. Answer with {ways}{offer}"


def _offered(offer: Offer) -> str:
    return f"{offer}. To read it by those answers: --profile {quoted(offer.name)}"


def _prompted(proposal: Proposal, question: Question) -> str:
    """Ask a person at the terminal."""
    for line in proposal.preview:
        say(f"  {line}")
    choices = ", ".join(_SPELLED.get(c, c) for c in question.choices)
    answer = typer.prompt(f"{question.text}{f' ({choices})' if choices else ''}")
    back = {v: k for k, v in _SPELLED.items()}
    return back.get(str(answer).strip(), str(answer))


def print_proposal(proposal: Proposal) -> None:
    """What a file was taken for and what was left out."""
    read = proposal.table
    assert read is not None
    r = read.report
    say(f"{proposal.file}: {r.rows} rows, {r.encoding}, cut at {r.delimiter}.", style="bold")
    if proposal.kept:
        say(f"  Read by the profile {proposal.kept!r}.")
    elif proposal.offer is not None:
        say(f"  It is {_offered(proposal.offer)}.")
    table(
        ("column", "header", "taken for", "why"),
        [(c.position, c.header, c.taken_for, c.why) for c in proposal.columns],
        words=4,
    )
    spans = [
        f"{c.name}: {len(c.value)} readings, {c.value.min():.4g} to {c.value.max():.4g} {c.unit}, "
        f"over {c.time_s[-1] - c.time_s[0]:.4g} s"
        for c in read.channels
    ]
    bullets([*spans, *(f"left out: {d}" for d in proposal.dropped), *proposal.notes])


def print_steps(steps: Sequence[Step]) -> None:
    if not steps:
        return
    say("", "Weigh-ins:", style="bold")
    table(
        ("step", "what", "from\n[s]", "to\n[s]", "total\n[g]", "added\n[g]"),
        [
            (s.number, s.name or "not named", *(f"{x:.1f}" for x in (s.start_s, s.end_s, s.total_g, s.added_g)))
            for s in steps
        ],
        words=2,
    )  # fmt: skip


def print_weighed(weighed: Mapping[str, float], steps: Mapping[str, Sequence[int]]) -> None:
    """The masses that the weigh-ins gave the run, and from which of them."""
    for name, mass_g in weighed.items():
        by = f"steps {' + '.join(map(str, steps[name]))}" if name in steps else "the recipe's names"
        say(f"{name}: {mass_g:g} g, by {by}.")


def print_start(joined: Joined | None, unclear: str) -> None:
    """Where motion starts and on what grounds, or what is open about it."""
    if joined is not None:
        say("", f"{joined.start_words[:1].upper()}{joined.start_words[1:]}.", style="bold")
        bullets(joined.doubts)
    elif unclear:
        say("", f"Open: {unclear}.", style="bold")


def tables_json(
    proposals: Sequence[Proposal],
    told: Told,
    steps: Sequence[Step],
    joined: Joined | None,
    unclear: str,
    book: RunBook | None,
    stored: str | None,
) -> dict[str, Any]:
    """Stable keys; the result of `import FILE --json`."""
    files = []
    for p in proposals:
        assert p.table is not None
        files.append(
            {
                "file": p.file,
                "rows": p.table.report.rows,
                "profile": p.kept or None,
                "profile_like_it": None
                if p.offer is None
                else {"profile": p.offer.name, "differs": list(p.offer.differs)},
                "time": p.time_basis,
                "started_at": p.started_at.isoformat() if p.started_at else None,
                "columns": [
                    {"position": c.position, "header": c.header, "taken_for": c.taken_for, "why": c.why}
                    for c in p.columns
                ],
                "channels": [
                    {"name": c.name, "role": c.role.value, "unit": c.unit, "readings": len(c.value)}
                    for c in p.table.channels
                ],
                "dropped": [
                    {"what": d.what, "count": d.count, "column": d.column, "lines": list(d.lines)}
                    for d in p.dropped
                ],
                "notes": list(p.notes),
            }
        )
    return {
        "dry_run": told.dry_run,
        "files": files,
        "weigh_ins": [
            {
                "step": s.number, "name": s.name, "start_s": s.start_s, "end_s": s.end_s, "total_g": s.total_g,
                "added_g": s.added_g,
            }
            for s in steps
        ],
        "motion": {"open": unclear} if joined is None else {
            "start_s": joined.start.time_s, "std_s": joined.start.uncertainty_s,
            "source": joined.start.source.value, "grounds": joined.start.grounds, "doubts": list(joined.doubts),
        },
        "run": None if book is None else book.runs[0].run,
        "findings": [finding_json(f) for f in (() if book is None else book.findings)],
        "stored_in": stored,
    }  # fmt: skip
