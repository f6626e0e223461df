"""Tables somebody sent to be brought in: the files, what has been answered about them, and how they then read.

Everything here came from a browser and is believed in nothing: names, bytes and answers are checked anew each
time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from dashboard.uploads import Uploads
from rig.bench import BENCH_FILE
from rig.errors import ModelRangeError, RigError, TableRefused
from rig.importing.loose import MOST_FILES, from_archive, is_archive, refuse_many
from rig.importing.proposal import Proposal, Question, propose, propose_by
from rig.importing.tabular.likeness import Kept, Offer, offer_for
from rig.importing.tabular.profile import TableProfile
from rig.importing.tabular.units_in_text import heading_from
from rig.logbook.profiles import StoredProfile, keep_profile, profiles
from rig.logbook.store import Logbook

MOST_OF_ONE_RUN = 12
_LARGEST = 1e9
_LONGEST_NAME, _LONGEST_ANSWER, _MOST_ANSWERS = 120, 200, 600

WHOLE_FILE = ("time_column", "time_unit", "interval_s", "day_first", "decimal")
"""The settings of a file that can be changed though nothing asks for them."""
OF_COLUMNS = ("columns", "uses")
QUESTION, OFFER = "question", "offer"
_TEXTS = ("delimiter", "decimal", "encoding", "time_column", "time_unit", "sheet", "curves")


@dataclass(frozen=True)
class Sent:
    """A table as it was sent: its name, with the folder it lay in, and its bytes."""

    name: str
    raw: bytes


@dataclass(frozen=True, eq=False)
class Look:
    """How a file reads by the answers given so far; `refused` says why it does not, where no answer would help.

    `profile` names the kept answers it began with.
    """

    file: str
    settings: TableProfile
    proposal: Proposal | None
    refused: str = ""
    profile: str = ""

    @property
    def is_settled(self) -> bool:
        """Whether it can be read, with nothing left open."""
        return self.proposal is not None and not self.proposal.questions

    def to_said(self) -> dict[str, Any]:
        """What the page keeps of it."""
        return {"settings": self.settings.to_dict(), "profile": self.profile}


@dataclass(frozen=True)
class Answer:
    """What one control says: of a setting of the whole file, of "columns" or "uses", a question or an offer.

    `of` is the number of the column from 1, or of the question from 0; else "".
    """

    part: str
    of: str
    text: str


def files_of(sent: Any, uploads: Uploads, *, of_one_run: bool = True) -> tuple[Sent, ...]:
    """The tables that a page has sent, those in archives by themselves.

    Raises
    ------
    RigError
        None, too many or too large; two of one name; one that is not there; a bench folder.
    """
    told = sent.get("files") if isinstance(sent, Mapping) else None
    if not isinstance(told, list) or not told or not all(isinstance(f, Mapping) for f in told):
        raise ModelRangeError("the page sent no files that can be read; choose them again")
    refuse_many("What you chose", len(told), 0)
    named = [(_name(f.get("name")), uploads.whole(str(f.get("id")))) for f in told]
    if any(name.rsplit("/", 1)[-1] == BENCH_FILE for name, _ in named):
        raise RigError(
            f"this is a bench folder, with its {BENCH_FILE}. Bring it in whole: chillrig import DIR"
        )
    refuse_many("What you chose", len(named), sum(path.stat().st_size for _, path in named))
    files = tuple(one for name, path in named for one in _tables(name, path))
    if not files:
        raise RigError("there is no table in what you chose. Choose other files")
    if of_one_run and len(files) > MOST_OF_ONE_RUN:
        raise ModelRangeError(
            f"one run takes up to {MOST_OF_ONE_RUN} files, found {len(files)}. Bring in several runs takes up to "
            f"{MOST_FILES}"
        )
    if len({f.name for f in files}) < len(files):
        raise ModelRangeError("two of the files have the same name. Rename one: notes name files")
    return files


def _tables(name: str, path: Path) -> list[Sent]:
    if is_archive(path, name):
        return [Sent(_name(f"{name}/{inside}"), raw) for inside, raw in from_archive(path, name)]
    return [Sent(name, path.read_bytes())]


def _name(name: Any) -> str:
    """A file's name, with its folders, as it may be written into notes; it is no way to anywhere."""
    text = "".join(c for c in name if c.isprintable()) if isinstance(name, str) else ""
    parts = [p.strip() for p in text.replace("\\", "/").split("/")]
    return "/".join(p for p in parts if p.strip(".") and not p.endswith(":"))[-_LONGEST_NAME:] or "table"


def first_looks(files: Sequence[Sent], logbook: Logbook) -> tuple[Look, ...]:
    """The files as they read by themselves, or by the answers kept for files of their shape."""
    kept, looks = profiles(logbook), []
    for file in files:
        try:
            proposal = propose_by(kept, file.raw, TableProfile(), file=file.name)
            looks.append(Look(file.name, proposal.profile, proposal, profile=proposal.kept))
        except TableRefused as refusal:
            looks.append(Look(file.name, TableProfile(), None, str(refusal)))
    return tuple(looks)


def looks_of(files: Sequence[Sent], said: Any, kept: Sequence[Kept] = ()) -> tuple[Look, ...]:
    """The files as they read by what the page keeps of their answers; `kept` are those that may be offered.

    Raises
    ------
    ModelRangeError, TableRefused
        Where those are no answers.
    """
    if not isinstance(said, list) or len(said) != len(files) or not all(isinstance(s, Mapping) for s in said):
        raise ModelRangeError("the page sent no answers that can be read; choose the files again")
    looks = []
    for file, one in zip(files, said, strict=True):
        look, profile = _look(file, _settings(one.get("settings"))), _text(one.get("profile", ""))
        if look.proposal is not None and not profile:
            offer = offer_for(look.proposal.shape, look.proposal.headers, kept)
            look = replace(look, proposal=replace(look.proposal, offer=offer))
        looks.append(replace(look, profile=profile))
    return tuple(looks)


def _look(file: Sent, settings: TableProfile) -> Look:
    try:
        return Look(file.name, settings, propose(file.raw, settings, file=file.name))
    except TableRefused as refusal:
        return Look(file.name, settings, None, str(refusal))


def _text(value: Any) -> str:
    if not isinstance(value, str) or len(value) > _LONGEST_ANSWER:
        raise ModelRangeError("the page sent an answer that is none; choose the files again")
    return value


def _settings(sent: Any) -> TableProfile:
    """Settings as the page keeps them, each of the kind it must be."""
    values: dict[str, Any] = {}
    for name, value in sent.items() if isinstance(sent, Mapping) else ():
        if name in OF_COLUMNS:
            if not isinstance(value, Mapping) or len(value) > _MOST_ANSWERS:
                raise ModelRangeError("the page sent no answers that can be read; choose the files again")
            values[name] = {_text(k): _text(v) for k, v in value.items()}
        elif name in _TEXTS:
            values[name] = _text(value)
        elif name == "day_first":
            values[name] = value is True
        elif isinstance(value, int | float) and abs(value) < _LARGEST:
            values[name] = int(value) if name == "recording" else float(value)
    return TableProfile().with_settings(values)


def answered(look: Look, answers: Sequence[Answer]) -> TableProfile:
    """A file's settings once its controls are read; an empty one takes back what it had said before.

    Raises
    ------
    TableRefused, ModelRangeError
        Where an answer is none.
    """
    values = look.settings.to_dict()
    for name in OF_COLUMNS:
        values[name] = dict(values.get(name, {}))
    for answer in answers:
        text = _text(answer.text).strip()
        if answer.part in OF_COLUMNS:
            kept = values[answer.part]
            for key in keys_of(look, answer.of) & {k.casefold() for k in kept}:
                for same in [k for k in kept if k.casefold() == key]:
                    del kept[same]
            if text:
                kept[answer.of] = text
        elif answer.part in WHOLE_FILE:
            values.pop(answer.part, None)
            if text:
                values |= _told(Question(answer.part, ""), text)
    settings = TableProfile.from_dict(values)
    open_ones = dict(enumerate(() if look.proposal is None else look.proposal.questions))
    for answer in (a for a in answers if a.part == QUESTION and a.of.isdecimal()):
        question, text = open_ones.get(int(answer.of)), _text(answer.text).strip()
        if question is not None and text:
            settings = settings.joined(TableProfile().with_settings(_told(question, text)))
    taken = taken_offer(look, answers)
    return settings if taken is None else taken.settings.joined(settings)


def taken_offer(look: Look, answers: Sequence[Answer]) -> Offer | None:
    """The kept answers that were offered, where somebody said that the file is to be read by them."""
    offer = None if look.proposal is None else look.proposal.offer
    said = any(a.part == OFFER and offer is not None and a.text == offer.name for a in answers)
    return offer if said else None


def _told(question: Question, text: str) -> dict[str, Any]:
    """An answer as settings; a number is held to what any count or time can be."""
    try:
        sane = abs(float(text.replace(",", "."))) < _LARGEST
    except ValueError:
        sane = True  # it is a word
    if not sane:
        raise ModelRangeError(f"{text[:40]!r} is no answer")
    return question.answer(text)


def keys_of(look: Look, column: str) -> set[str]:
    """Every way in which settings may name a column, which is given by its number from 1."""
    headers = () if look.proposal is None else look.proposal.headers
    keys = {column}
    if column.isdecimal() and 1 <= int(column) <= len(headers):
        header = headers[int(column) - 1]
        keys |= {header.casefold(), heading_from(header).name.casefold()} - {""}
    return keys


def said_of(look: Look, part: str, column: str) -> str:
    """What is settled about a column, given by its number; "" where nothing is."""
    keys = keys_of(look, column)
    kept = getattr(look.settings, part)
    return next((str(v) for k, v in kept.items() if k.casefold() in keys), "")


def read_again(
    files: Sequence[Sent], looks: Sequence[Look], answers: Mapping[int, Sequence[Answer]]
) -> tuple[Look, ...]:
    """The files read anew by their controls.

    Raises
    ------
    RigError
        Where an answer is none, or a file cannot be read by it that could be before.
    """
    fresh = []
    for n, (file, look) in enumerate(zip(files, looks, strict=True)):
        new = _look(file, answered(look, answers.get(n, ())))
        if new.proposal is None and look.proposal is not None:
            raise RigError(new.refused)
        taken = taken_offer(look, answers.get(n, ()))
        if taken is None and new.proposal is not None and look.proposal is not None:
            new = replace(new, proposal=replace(new.proposal, offer=look.proposal.offer))
        fresh.append(replace(new, profile=look.profile if taken is None else taken.name))
    return tuple(fresh)


def settled(looks: Sequence[Look]) -> list[Proposal]:
    """The proposals of files that leave nothing open.

    Raises
    ------
    RigError
        The first that is refused or asks something.
    """
    for look in looks:
        if look.proposal is None:
            raise RigError(f"{look.refused}. Leave this file out")
        if look.proposal.questions:
            raise RigError(f"{look.file}: {look.proposal.questions[0].text}. Answer that first")
    return [look.proposal for look in looks if look.proposal is not None]


def keep_answers(logbook: Logbook, name: str, proposals: Sequence[Proposal]) -> None:
    """Keep what was answered for files of the same shape, under a name; with several files, one name each."""
    for p in proposals:
        own = f"{name} {Path(p.file).stem}" if len(proposals) > 1 else name
        keep_profile(logbook, StoredProfile(own, p.shape, p.to_remember().to_dict()))
