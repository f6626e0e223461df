"""Which dialects there are, and which of them a port speaks.

Our own wire format comes first; scales and probe readers that know nothing of it are read by declared
dialects: those in `dialect_files/*.toml` are built in, a user adds files of the same form.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

from rig.capture.decoding.declaration import refusal
from rig.capture.decoding.declared import DeclaredDialect, parse, text_of
from rig.capture.decoding.readings import Decoder, Identity, Quality, Reading, Reject
from rig.capture.decoding.wire import WireDecoder
from rig.errors import BenchError, Place


def load(paths: Iterable[str | Path] = ()) -> dict[str, Decoder]:
    """Every decoder by name: our wire format, the built-in dialects, then those of the user's files.

    A path may be a TOML file or a folder of them. Raises BenchError that names file and key.
    """
    decoders: dict[str, Decoder] = {"wire": WireDecoder()}
    built_in = sorted(
        (f for f in (files("rig.capture.decoding") / "dialect_files").iterdir() if f.name.endswith(".toml")),
        key=lambda f: f.name,
    )
    sources = [(f.name, f.read_text(encoding="utf-8")) for f in built_in]
    for path in map(Path, paths):
        for file in sorted(path.glob("*.toml")) if path.is_dir() else [path]:
            sources.append((str(file), _content(file)))
    for name, text in sources:
        for dialect in parse(text, name):
            if dialect.name in decoders:
                raise refusal(name, f"dialects.{dialect.name}", "there already is a dialect of that name")
            decoders[dialect.name] = dialect
    return decoders


@dataclass(frozen=True)
class Heard:
    """What a port's first lines look like: the decoder that reads them, or None, and why in words."""

    decoder: Decoder | None
    why: str


def heard(
    lines: Sequence[bytes], decoders: Mapping[str, Decoder] | None = None, *, received: int | None = None
) -> Heard:
    """Which decoder reads these lines, from the first after opening on.

    `received` counts the bytes that came in all, so that bytes without a line end are told from silence.
    `decoders` are those of `load()` unless given.
    """
    came = sum(map(len, lines)) if received is None else received
    if not came:
        return Heard(None, "silent: not a byte has come; is the device on, and set to send by itself?")
    if not lines:
        return Heard(
            None,
            f"{came} bytes but no line end: wrong speed (baud), or a device that does not send lines",
        )
    known = load() if decoders is None else decoders
    candidates = [d for d in known.values() if not (isinstance(d, DeclaredDialect) and d.by_name_only)]
    best = _best(lines, candidates)
    if best:
        return best
    strange = sum(not (0x20 <= byte < 0x7F or byte == 0x09) for byte in b"".join(lines))
    if strange > 0.2 * sum(map(len, lines)):
        seven = _best([bytes(byte & 0x7F for byte in line) for line in lines], candidates)
        if seven and seven.decoder:
            return Heard(
                None, f"7 data bits with parity: set the port so, then {seven.decoder.name!r} reads it"
            )
        return Heard(None, f"mostly unprintable bytes ({strange} of {came}): wrong speed (baud) or parity")
    if reason := _nearest_reject(lines, candidates):
        return Heard(None, f"no valid line among {len(lines)}; {reason}")
    return Heard(None, f"no valid line among {len(lines)}, such as {_shown(lines[-1])}: no dialect reads it")


def recognise(lines: Sequence[bytes], decoders: Mapping[str, Decoder] | None = None) -> Decoder | None:
    """The decoder that reads these lines, or None; `heard` says why."""
    return heard(lines, decoders).decoder


SHARE_READ = 0.8
"""A dialect is recognised where it reads at least this share of the lines."""


@dataclass(frozen=True)
class _Tally:
    """How one decoder fared on the lines it was judged by."""

    decoder: Decoder
    said: tuple[Reading | Identity, ...]
    judged: int

    @property
    def rank(self) -> tuple[bool, int, int]:
        readings = [d for d in self.said if isinstance(d, Reading)]
        good = sum(all(s.quality is Quality.GOOD for s in d.samples) for d in readings)
        return self.decoder.checked, len(self.said), good

    @property
    def convinces(self) -> bool:
        """One line is no evidence, unless it carries a checksum."""
        if self.decoder.checked:
            return bool(self.said)
        return len(self.said) >= max(2, SHARE_READ * self.judged)


def _tally(decoder: Decoder, lines: Sequence[bytes]) -> _Tally:
    # The first line may be the tail of a cut one, which only a checksum can tell.
    judged = lines if decoder.checked or len(lines) == 1 else lines[1:]
    said = tuple(d for d in map(decoder.decode, judged) if not isinstance(d, Reject))
    return _Tally(decoder, said, len(judged))


def _best(lines: Sequence[bytes], decoders: Sequence[Decoder]) -> Heard | None:
    tallies = [t for d in decoders if (t := _tally(d, lines)).convinces]
    if not tallies:
        return None
    top = max(t.rank for t in tallies)
    first, *others = [t for t in tallies if t.rank == top]
    rivals = [t.decoder.name for t in others if t.said != first.said]
    if rivals:
        names = " or ".join(map(repr, [first.decoder.name, *rivals]))
        return Heard(None, f"ambiguous: {_shown(lines[-1])} may be {names}; name the dialect of this port")
    channels = dict.fromkeys(s.channel for d in first.said if isinstance(d, Reading) for s in d.samples)
    what = f": {', '.join(channels)}" if channels else ""
    return Heard(
        first.decoder, f"{len(first.said)} of {first.judged} lines read as {first.decoder.name!r}{what}"
    )


def _nearest_reject(lines: Sequence[bytes], decoders: Sequence[Decoder]) -> str:
    """What our own wire format finds wrong, where the lines are evidently meant to be of it."""
    meant = [line for line in lines if b"$R," in line or b"$ID," in line]
    for decoder in decoders:
        if meant and decoder.checked and isinstance(said := decoder.decode(meant[-1]), Reject):
            return f"{_shown(said.line)}: {said.reason}"
    return ""


def _shown(line: bytes) -> str:
    text = text_of(line)
    return repr(text if len(text) <= 60 else text[:57] + "...")


def _content(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise BenchError(f"cannot be read: {error}", Place(str(file))) from error
