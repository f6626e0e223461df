"""Files that are much like others: which of the answers kept for those may be meant for them, and what differs."""

from __future__ import annotations

import re
from ast import literal_eval
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any, Protocol

from rig.importing.tabular.profile import TableProfile
from rig.importing.tabular.units_in_text import heading_from
from rig.importing.tabular.words import folded

NONE = "none"
"""What stands for no delimiter in a shape."""
_WRITTEN = re.compile(r"(\d{1,4})('(?:[^'\\]|\\.)+'|\"'\")([.,])(.*)", re.DOTALL)
_SPELLED = {"\t": "tabs", " ": "blanks", " ,": "blanks and commas", NONE: "nothing"}
_MARKS = {".": "a point", ",": "a comma"}
_CLOSE = 0.75
"""Names with at least so much in common may be one column's, as 'probe 1' and 'probe 2' are."""
_LEAST, _FEWEST = 0.5, 2
"""The least share of its columns that a file has in common with another, and the fewest of them."""


class Kept(Protocol):
    """Answers kept under a name for files of a shape, as `TableProfile.to_dict` wrote them."""

    @property
    def name(self) -> str:
        """What they are called."""

    @property
    def shape(self) -> str:
        """The shape of the files they were given for."""

    @property
    def settings(self) -> Mapping[str, Any]:
        """The answers."""


@dataclass(frozen=True)
class Offer:
    """Kept answers that a file may be read by, though it is not quite like the files they were given for."""

    name: str
    settings: TableProfile
    differs: tuple[str, ...]

    def __str__(self) -> str:
        return f"much like the files that {self.name!r} was kept for: {'; '.join(self.differs)}"


@dataclass(frozen=True)
class Shape:
    """What files of one logger have in common: how they are cut, and their folded headers (and units under them)."""

    delimiter: str
    decimal: str
    headers: tuple[str, ...]
    units: tuple[str, ...] = ()

    def __str__(self) -> str:
        names = "|".join((*self.headers, *self.units))
        return f"{len(self.headers)}{self.delimiter!r}{self.decimal}{names}"

    @classmethod
    def from_text(cls, text: str) -> Shape | None:
        """The shape that `str` wrote; None where it cannot be told, as where a header holds the mark between."""
        found = _WRITTEN.fullmatch(text)
        names = found[4].split("|") if found else []
        width = int(found[1]) if found else 0
        if found is None or len(names) not in (width, 2 * width):
            return None
        return cls(literal_eval(found[2]), found[3], tuple(names[:width]), tuple(names[width:]))

    @property
    def labels(self) -> tuple[str, ...]:
        """Each column's header with its unit."""
        units = self.units or ("",) * len(self.headers)
        return tuple(f"{h} {u}".strip() for h, u in zip(self.headers, units, strict=True))


def offer_for(shape: str, headers: Sequence[str], kept: Iterable[Kept]) -> Offer | None:
    """The kept answers that are most likely meant for a file; None where any are for files of its very shape.

    `headers` are the file's own, as they are written.
    """
    now, best, most = Shape.from_text(shape), None, 0.0
    for one in kept:
        if one.shape == shape:
            return None
        was = Shape.from_text(one.shape)
        if now is None or was is None:
            continue
        pairs = _pairs(now.labels, was.labels)
        same = sum(now.labels[n] == was.labels[w] for n, w in pairs.items())
        alike = (same + (len(pairs) - same) / 2) / max(len(now.labels), len(was.labels))
        if same and len(pairs) >= _FEWEST and alike >= _LEAST and alike > most:
            best, most = (
                Offer(one.name, _fitted(one, was, now), tuple(_differs(now, was, pairs, headers))),
                alike,
            )
    return best


def fitted(kept: Kept, shape: str) -> TableProfile:
    """Kept answers for files of any shape; what is told of columns goes to those of the same names."""
    now, was = Shape.from_text(shape), Shape.from_text(kept.shape)
    if now is None or was is None or kept.shape == shape:
        return TableProfile.from_dict(kept.settings)
    return _fitted(kept, was, now)


def _fitted(kept: Kept, was: Shape, now: Shape) -> TableProfile:
    told, pairs = TableProfile.from_dict(kept.settings), _pairs(now.labels, was.labels)
    if (now.delimiter, now.decimal) != (was.delimiter, was.decimal):
        told = replace(told, delimiter=None, decimal=None)
    place = {w: str(n + 1) for n, w in pairs.items()}
    return replace(
        told,
        sheet=None,
        time_column=None if told.time_column is None else _moved(told.time_column, was, place),
        columns={k: v for key, v in told.columns.items() if (k := _moved(key, was, place))},
        uses={k: v for key, v in told.uses.items() if (k := _moved(key, was, place))},
    )


def _moved(key: str, was: Shape, place: Mapping[int, str]) -> str | None:
    """Where the column now stands that a key named; a key that names none is a channel's, and stays."""
    wanted = folded(key)
    for n, header in enumerate(was.headers):
        if key == str(n + 1) or (header and wanted in (header, folded(heading_from(header).name))):
            return place.get(n)
    return key


def _pairs(now: Sequence[str], was: Sequence[str]) -> dict[int, int]:
    """Which column of one table is which of another, by their positions: of the same name, else of a close one.

    Where no name is the same, none is looked for.
    """
    free: dict[str, list[int]] = {}
    for w, label in enumerate(was):
        free.setdefault(label, []).append(w)
    pairs = {n: free[label].pop(0) for n, label in enumerate(now) if label and free.get(label)}
    left = {label: at[0] for label, at in free.items() if label and at}
    for n, label in enumerate(now) if pairs else ():
        if n not in pairs and label and (found := get_close_matches(label, left, 1, _CLOSE)):
            pairs[n] = left.pop(found[0])
    return pairs


def _differs(now: Shape, was: Shape, pairs: Mapping[int, int], headers: Sequence[str]) -> Iterator[str]:
    """What sets a file apart, in words."""
    for n, (label, header) in enumerate(zip(now.labels, headers, strict=True)):
        if n not in pairs:
            yield f"it also has {header!r}" if header else f"its column {n + 1} has no name"
        elif label != was.labels[pairs[n]]:
            yield f"it has {header!r} where they have {was.labels[pairs[n]]!r}"
    for w, label in enumerate(was.labels):
        if w not in pairs.values() and label:
            yield f"it has no {label!r}"
    if [pairs[n] for n in sorted(pairs)] != sorted(pairs.values()):
        yield "its columns stand in another order"
    if now.delimiter != was.delimiter:
        yield f"it is cut at {_cut(now)}, they at {_cut(was)}"
    if now.decimal != was.decimal:
        yield f"its decimals stand behind {_MARKS[now.decimal]}, theirs behind {_MARKS[was.decimal]}"


def _cut(shape: Shape) -> str:
    return _SPELLED.get(shape.delimiter, repr(shape.delimiter))
