"""The text of a bench.toml with one of its entries changed: every other line, order and comment stays as it is.

`rig.bench.parse_bench` is the only reader of what comes out; nothing here judges a value.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Array, InlineTable, Item

from rig.bench import SECTIONS, parse_bench
from rig.bench_toml import toml_key, toml_value

Table = Mapping[str, Any]


def tables_of(text: str) -> dict[str, dict[str, Any]]:
    """What a bench.toml says, by section and name, as it is written there."""
    raw = tomllib.loads(text)
    return {s: dict(raw[s]) if isinstance(raw.get(s), dict) else {} for s in SECTIONS}


def with_title(text: str, title: str) -> str:
    """The text with another title."""
    wanted = tomllib.loads(text) | {"title": title}
    document = tomlkit.parse(text)
    document["title"] = title
    return _as_wanted(document, wanted)


def with_entry(text: str, section: str, name: str, table: Table) -> str:
    """The text with an entry that says this, and nothing else; a new one comes last in its section."""
    wanted = tomllib.loads(text)
    wanted.setdefault(section, {})[name] = dict(table)
    document = tomlkit.parse(text)
    entries = document.get(section)
    if isinstance(entries, dict) and isinstance(entries.get(name), dict):
        _update(entries[name], table)
        return _as_wanted(document, wanted)
    heads = f"[{section}.{toml_key(name)}]"
    lines = "".join(f"{toml_key(k)} = {_laid_out(v)}\n" for k, v in table.items())
    if not entries:
        # the end of a file is the one place where a section that is not there cannot be in the way
        end = "" if not text or text.endswith("\n") else "\n"
        return _checked(f"{text}{end}{chr(10) if text.strip() else ''}{heads}\n{lines}", wanted)
    block = tomlkit.parse(f"{heads}\n{lines}")[section]
    assert isinstance(block, dict)
    try:
        entries[name] = block[name]
        last = tomlkit.dumps(document)
    except (TOMLKitError, ValueError):  # such as a section written on one line
        last = ""
    return _checked(last, wanted)


def without_entry(text: str, section: str, name: str) -> str:
    """The text without an entry."""
    wanted = tomllib.loads(text)
    del wanted[section][name]
    document = tomlkit.parse(text)
    entries = document[section]
    assert isinstance(entries, dict)
    del entries[name]
    return _as_wanted(document, wanted)


def with_entry_renamed(text: str, section: str, old: str, new: str) -> str:
    """The text with an entry under another name, where it stands; recipes drawn from a recipe follow it."""
    raw = tomllib.loads(text)
    tables = {new if n == old else n: t for n, t in raw[section].items()}
    wanted = raw | {section: tables}
    heads = {f"[{section}.{spelled}]" for spelled in (toml_key(old), f'"{old}"', f"'{old}'")}
    lines = [
        f"[{section}.{toml_key(new)}]" + line.strip()[len(head) :] + line[len(line.rstrip()) :]
        if (head := next((h for h in heads if line.strip().startswith(h)), ""))
        else line
        for line in text.splitlines(keepends=True)
    ]
    text = _checked("".join(lines), wanted)
    if section != "recipes":
        return text
    for name, table in tables.items():
        if isinstance(table, dict) and table != (follows := _redrawn(table, old, new)):
            text = with_entry(text, section, name, follows)
    return text


def merged(base: str | None, mine: str, theirs: str, *, needed: Mapping[str, set[str]], yields: bool) -> str:
    """What came in, `theirs`, over what stands, `mine`, which may have been changed by hand since `base` came in.

    What has changed from `base` to `theirs` is taken; what was changed by hand alone stays. Where both have
    changed, `yields` tells whether what came in gives way; else it is taken key by key. Entries that `theirs` lacks
    go, unless `needed` (names by section) or changed by hand. Without a `base` nothing was changed by hand.
    """
    if base is None or _same(base, mine):
        text = theirs
        kept = {s: {n: t for n, t in have.items() if n in needed.get(s, ())} for s, have in _tables(mine)}
        for section, tables in kept.items():
            there = tables_of(text)[section]
            for name, table in tables.items():
                if name not in there:
                    text = with_entry(text, section, name, table)
        return text
    text = mine
    was, new, now = tables_of(base), tables_of(theirs), tables_of(mine)
    known_was, known_new = (parse_bench(t)[0] for t in (base, theirs))
    for section in SECTIONS:
        old_values, new_values = getattr(known_was, section), getattr(known_new, section)
        for name in dict.fromkeys((*was[section], *new[section])):
            old, fresh, stands = (t[section].get(name) for t in (was, new, now))
            as_before = fresh == old or (
                name in old_values and old_values.get(name) == new_values.get(name) and fresh is not None
            )
            if as_before or (yields and stands != old and fresh is not None and stands is not None):
                continue
            if fresh is None:
                if stands is not None and stands == old and name not in needed.get(section, ()):
                    text = without_entry(text, section, name)
            elif stands is None or stands == old or old is None:
                text = with_entry(text, section, name, fresh)
            else:
                changed = {k: fresh.get(k) for k in (*old, *fresh) if fresh.get(k) != old.get(k)}
                joined = {k: v for k, v in {**stands, **changed}.items() if v is not None}
                text = with_entry(text, section, name, joined)
    titles = [tomllib.loads(t).get("title") for t in (base, theirs)]
    return text if titles[0] == titles[1] or titles[1] is None else with_title(text, str(titles[1]))


def _tables(text: str) -> Sequence[tuple[str, dict[str, Any]]]:
    return tuple(tables_of(text).items())


def _same(one: str, other: str) -> bool:
    return tomllib.loads(one) == tomllib.loads(other)


def _update(there: Any, wanted: Table) -> None:
    """Make a table say this by as few changes as that takes."""
    for key in [k for k in there if k not in wanted]:
        del there[key]
    for key, value in wanted.items():
        if key not in there:
            there[key] = _item(value)
        elif there[key] != value:
            if _of_tables(value) and _of_tables(there[key]) and _update_listed(there[key], value):
                continue
            if isinstance(there[key], dict) and isinstance(value, dict):
                _update(there[key], value)
            else:
                comment = there[key].trivia.comment if isinstance(there[key], Item) else ""
                there[key] = _item(value)
                if comment:
                    there[key].comment(comment.removeprefix("#").strip())


def _update_listed(there: Any, wanted: Sequence[Table]) -> bool:
    """The same for a list of tables, told apart by their names; False where their order changed."""
    if not isinstance(there, Array):
        return False
    names = [t.get("name") for t in wanted]
    kept = [str(t.get("name")) for t in there if t.get("name") in names]
    if len({*names}) < len(names) or kept != names[: len(kept)]:
        return False
    for n in reversed(range(len(there))):
        if there[n].get("name") not in names:
            del there[n]
    for n, table in enumerate(wanted):
        if n >= len(there):
            there.add_line(_item(table), indent="  ")
        elif there[n] != table:
            there[n] = _item(table)
    return True


def _of_tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, dict) for v in value)


def _redrawn(table: Any, old: str, new: str) -> Any:
    """A recipe's table with what it draws from `old` drawn from `new`."""
    if isinstance(table, dict):
        return {k: new if (k, v) == ("batch", old) else _redrawn(v, old, new) for k, v in table.items()}
    return [_redrawn(v, old, new) for v in table] if isinstance(table, list) else table


def _laid_out(value: Any) -> str:
    """A value as this house writes it: tables in a list each on a line of its own."""
    if _of_tables(value):
        return "[\n" + "".join(f"  {toml_value(v)},\n" for v in value) + "]"
    return toml_value(value)


def _item(value: Any) -> Any:
    item = tomlkit.parse(f"x = {_laid_out(value)}\n")["x"]
    assert isinstance(item, Item | InlineTable)
    return item


def _as_wanted(document: tomlkit.TOMLDocument, wanted: Table) -> str:
    return _checked(tomlkit.dumps(document), wanted)


def _checked(text: str, wanted: Table) -> str:
    """The text, where it says what it should; else what it should say, written anew."""
    try:
        if tomllib.loads(text) == wanted:
            return text
    except ValueError:
        pass
    return tomlkit.dumps(tomlkit.item(dict(wanted)))
