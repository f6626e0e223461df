"""Numbers on the command line as people type them: `4,5`, `75°F`, `2oz`, `30` for thirty percent of water."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from types import NoneType
from typing import Any, get_args, get_type_hints

import typer

from rig.errors import ModelRangeError

_SHARES = ("dilution", "dilution_by_volume")
_UNIT = re.compile(r"_(c|g|ml|s)(?:_(?:min|max))?\Z")
_UNITS = {"c": "°C", "g": "g", "ml": "ml", "s": "s"}


def as_numbers(group: Any, arguments: Sequence[str]) -> list[str]:
    """The arguments of a command line with every number as a program writes it, in the unit of its option.

    The name of an option says its unit: `--drink-temp-c`, `--ice-mass-g`.
    """
    command, rest = group, list(arguments)
    while (under := getattr(command, "commands", None)) and rest and rest[0] in under:
        command = under[rest.pop(0)]
    before = list(arguments[: len(arguments) - len(rest)])
    hints = {} if command.callback is None else get_type_hints(command.callback)
    known = {option: param for param in command.params for option in (*param.opts, *param.secondary_opts)}
    loose = [p for p in command.params if p.param_type_name == "argument"]
    out: list[str] = []
    waiting: list[Any] = []
    for text in rest:
        option, equals, value = text.partition("=")
        if waiting:
            out.append(_plain(text, waiting.pop(), hints))
        elif text in known and text.startswith("-"):
            param = known[text]
            waiting = [] if getattr(param, "is_flag", False) else [param] * max(param.nargs, 1)
            out.append(text)
        elif equals and option in known:
            out.append(f"{option}={_plain(value, known[option], hints)}")
        else:
            out.append(_plain(text, loose[0], hints) if len(loose) == 1 else text)
    return before + out


def _is_number(param: Any, hints: dict[str, Any]) -> bool:
    """Whether a parameter holds numbers with a fraction."""
    return param.name in hints and set(_parts(hints[param.name])) - {NoneType} == {float}


def _parts(hint: Any) -> Iterator[Any]:
    """The plain types that a hint is made of."""
    inner = get_args(hint)
    for part in inner:
        yield from _parts(part)
    if not inner:
        yield hint


def _plain(text: str, param: Any, hints: dict[str, Any]) -> str:
    """What is given to a parameter, as a program writes it where that is a number."""
    if not _is_number(param, hints) or text.startswith("--"):
        return text
    from rig.units import typed, typed_share  # bring NumPy, which help does without

    option = param.opts[0] if param.param_type_name == "option" else (param.metavar or param.name)
    unit = _UNIT.search(param.name)
    try:
        if param.name not in _SHARES:
            return repr(typed(text, _UNITS[unit[1]] if unit else ""))
        share, by_size = typed_share(text)
    except ModelRangeError as error:
        raise typer.BadParameter(str(error), param_hint=option) from error
    if by_size:  # what its size alone tells is said
        typer.echo(f"chillrig: {option} {text.strip()} is read as {100.0 * share:g} %", err=True)
    return repr(share)
