"""The steps of making one recorded drink: weigh in, move, weigh out; what each asks for and what ends it."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from rig.capture.decoding.readings import Quality, Quantity, Sample
from rig.capture.devices.health import PortState
from rig.capture.devices.simulated.drink import Hands
from rig.capture.recording.follow import Advisor, Follower, Moment, StopWords
from rig.capture.recording.journal import AGO_S, Event, EventKind
from rig.capture.recording.taken_over import Recording
from rig.capture.to_run.calibrated import Heard
from rig.capture.to_run.probe_doubted import PROBE_BELIEVED
from rig.capture.to_run.weighing import Step, StepKind, WeighIn, accept
from rig.session.probe import ProbeWatch
from rig.session.strokes import Strokes
from rig.session.way import Way, WeighedIn
from rig.signals.moments import Rhythm, Source
from rig.signals.probe_faults import ProbeFault

WEIGH_PATIENCE_S = 60.0
"""Where nobody watches, a step that the scale does not show within this time is left out."""
AGREED_G = 0.05
LEAST_STEP_G = 0.5
GLASS_G = 180.0
_CAUSES = {
    PortState.ABSENT: "it is unplugged",
    PortState.REFUSED: "its port is refused",
    PortState.UNREADABLE: "what it sends cannot be read",
}


@dataclass
class Session:
    """Where one drink has got to; `tick` moves it on, `act`, `skip` and `mark` are a person's keys.

    With `by_itself` the motion starts once all is weighed, and what the scale does not show in time is left
    out. `hands` are those of a simulated drink: they do what is asked for. What the journal says was done before, or
    by somebody else, counts as done here: so a drink whose screen has died goes on where it is.
    """

    recording: Recording
    follower: Follower
    way: Way
    by_itself: bool = False
    by_ear: bool = False
    """The motion is heard: it does not start by itself."""
    blind: bool = False
    """Stopped by feel: nothing rings, and who shows it hides the call and the numbers until then."""
    advisor: Advisor | None = None
    prepare: Callable[[WeighedIn], Advisor] | None = None
    """Makes the advisor once all is weighed in."""
    heard: Heard = field(default_factory=Heard)
    """What is known of the probe and the scale; the advisor hears what their readings stand for."""
    watch: ProbeWatch = field(default_factory=ProbeWatch)
    """Whether the main probe is believed."""
    hands: Hands | None = None
    ring: Callable[[], None] = lambda: None
    words: StopWords | None = None
    said: str = ""
    weighed: dict[str, float] = field(default_factory=dict)
    skipped: list[str] = field(default_factory=list)
    finished: bool = False
    _weigh_in: WeighIn = field(init=False)
    _main: dict[Quantity, tuple[int, str]] = field(default_factory=dict)
    _step: Step | None = None
    _asked_s: float = 0.0
    _on_scale_g: float = 0.0
    _scale_s: float = float("-inf")
    _advised_s: float = 0.0
    _started_s: float | None = None
    _stopped_s: float | None = None
    _temp_c: float | None = None
    started_by: Source | None = None
    stopped_by: Source | None = None
    """Who told when the motion began and stopped; None while nobody has."""
    heard_rhythm: Rhythm | None = None
    """Strokes a second by now, as a microphone or a phone hears or feels them; None where nobody does."""
    _strokes: Strokes = field(default_factory=Strokes)
    _own: set[int] = field(default_factory=set)
    """Stamps of the orders given here."""

    def __post_init__(self) -> None:
        self._weigh_in = WeighIn(self.way.before)

    @property
    def done(self) -> bool:
        """Whether there is nothing left to do, or nobody records any more."""
        return self.finished or not self.recording.alive

    @property
    def now_s(self) -> float:
        """Now, in seconds from the start of the journal."""
        return self.follower.at_s(time.perf_counter_ns())

    @property
    def expecting(self) -> Step | None:
        """What is to be weighed next; None while the drink is moved or about to be."""
        return None if self.moving else self._weigh_in.state.expecting

    @property
    def started_s(self) -> float | None:
        """When the motion began, in seconds from the start of the journal; None while it has not."""
        return self._started_s

    @property
    def stopped_s(self) -> float | None:
        """When the motion ended, in seconds from the start of the journal; None while it has not."""
        return self._stopped_s

    @property
    def started(self) -> bool:
        """Whether the drink has been moved at all."""
        return self._started_s is not None

    @property
    def moving(self) -> bool:
        """Whether the drink is being moved."""
        return self._started_s is not None and self._stopped_s is None

    @property
    def hidden(self) -> bool:
        """Whether the call and all numbers but the scale's are to be hidden: until a blind drink has stopped."""
        return self.blind and self._stopped_s is None

    @property
    def moved_s(self) -> float:
        """How long the drink has been moved by now."""
        if self._started_s is None:
            return 0.0
        return (self._stopped_s or self.now_s) - self._started_s

    def known(self, raw_c: float | None) -> WeighedIn:
        """What the weigh-ins by now, and a reading of the probe [°C], stand for."""
        mass_g = self.heard.weighed_g(self.weighed)
        return WeighedIn(
            mass_g,
            self.heard.temp_c(raw_c),
            self.heard.probe_std_k(raw_c),
            self.heard.scale_std_g(mass_g.get("drink")),
        )

    @property
    def doubt(self) -> str:
        """What the scale shows and no step explains, in words."""
        doubts = self._weigh_in.state.doubts
        return doubts[-1].what if doubts else ""

    @property
    def believed_until_s(self) -> float:
        """Up to when the readings of the main probe stand [s of motion]."""
        return math.inf if self.watch.doubt is None else self.watch.doubt.believed_until_s

    @property
    def temp_c(self) -> float | None:
        """What the main probe reads now, or read when the drink came to rest; None where it is not believed."""
        return None if self.watch.doubt is not None or not self.watch.heard else self._temp_c

    @property
    def probe_words(self) -> str:
        """What a person must know of the probe, and why it is silent where its port tells; empty while believed."""
        doubt, main = self.watch.doubt, self._main.get(Quantity.TEMPERATURE)
        state = self.recording.state() if doubt is not None and main is not None else None
        if doubt is None or doubt.fault is not ProbeFault.SILENT or state is None or main is None:
            return self.watch.words
        cause = _CAUSES.get(state.ports[main[0]].state, "")
        return f"{doubt.words}: {cause}" if cause else doubt.words

    @property
    def rhythm(self) -> Rhythm | None:
        """Strokes a second by now, as a device counts them, else as they are heard or felt; None where nobody does."""
        return self._strokes.since(self._started_s) or self.heard_rhythm

    def believe(self) -> None:
        """A person says that the probe is right as it reads."""
        self.watch.believe()
        self._order(EventKind.MARK, text=PROBE_BELIEVED)
        self.said = "the probe is believed as it reads"

    def pan_g(self, step: Step) -> float:
        """What the steps before this one left on the pan [g]."""
        steps = self.way.after if self._stopped_s is not None else self.way.before
        return sum(self.weighed.get(s.name, 0.0) for s in steps[: steps.index(step)])

    def tick(self) -> None:
        """Take in what has been read, and do what needs no key."""
        self.follower.poll(self._hear, self._told)
        if self.follower.header is None or self.finished:
            return
        if self._stopped_s is None:
            self.watch.look(self.now_s, self._started_s)
        if self.moving:
            if self.prepare is not None:
                self._catch_up()
            if self.temp_c is None:
                self._advise(self.now_s)
            if self.way.duration_s is not None and self.moved_s >= self.way.duration_s:
                self.ring()
                self._stop()
            return
        self._note_weighed()
        step = self.expecting
        if step is not self._step:
            self._ask(step)
        waited_s = self.now_s - self._asked_s
        if step is not None:
            if self.by_itself and waited_s > WEIGH_PATIENCE_S:
                self.skip()
        elif self._stopped_s is not None:
            self.finished = True
        elif self.prepare is not None:
            prepare, self.prepare = self.prepare, None
            self.advisor = prepare(self.known(self.temp_c))
        elif self.by_itself and not self.by_ear:
            self.begin()

    def act(self) -> None:
        """What the moment is there for: take what is on the scale, start, or stop."""
        if self.moving:
            self._stop()
        elif self.expecting is None and self._stopped_s is None:
            self.begin()
        elif self.expecting is None:
            self.finished = True
        else:
            self.said = self._take()

    @property
    def ready_s(self) -> float | None:
        """Since when the drink only waits to be moved; None where it does not."""
        return None if self.started or self.expecting is not None else self._asked_s

    def ended(self, at_s: float, by: Source, **told: float) -> None:
        """The motion ended at a moment of the journal, as was heard or felt; `told` goes with it."""
        if self.moving:
            self._stop(at_s, by, **told)
        else:
            self._stopped_s, self.stopped_by = self._order_at(EventKind.STOP, at_s, by, **told), by

    def skip(self) -> None:
        """Go on without weighing what is asked for."""
        if (step := self.expecting) is not None:
            self.skipped.append(step.name)
            # What rests on the scale belongs to the steps before: it is closed before this one is left out.
            self._weigh_in.update(self._scale_s, math.nan, settled=False)
            self._weigh_in.skip()
            if self.hands is not None and step.kind is StepKind.ADDITION:
                self._put(self._on_scale_g - self._simulated_g(self.hands, step.name))

    def mark(self, text: str) -> None:
        """Note something at this moment."""
        self._order(EventKind.MARK, text=text)
        self.said = f"marked: {text}"

    def _take(self) -> str:
        """Take what rests on the scale for the step at hand; why not, where it cannot be."""
        state, plateau = self._weigh_in.state, self._weigh_in.plateau
        if plateau is None:
            return "the scale has not come to rest"
        if accept(state, plateau).named[-1].mass_g < LEAST_STEP_G:
            return "nothing more is on the scale yet"
        self._weigh_in.accept()
        return ""

    def _order(self, kind: EventKind, **detail: Any) -> Event:
        event = self.recording.order(kind, **detail)
        self._own.add(event.at_ns)
        return event

    def _told(self, event: Event) -> None:
        """Take in what the journal says was done, unless it was done here."""
        if event.at_ns in self._own:
            return
        at_s, detail = self.follower.happened_s(event), event.detail
        match event.kind:
            case EventKind.START:
                self._started_s, self.started_by, self._stopped_s = at_s, _by(event), None
                self.skipped += [
                    s.name for s in self.way.before if s.name not in (*self.weighed, *self.skipped)
                ]
            case EventKind.STOP if self._started_s is not None:
                self._rest(at_s, _by(event))
            case EventKind.WEIGH if isinstance(mass_g := detail.get("mass_g"), int | float):
                self.weighed[str(detail.get("what"))] = float(mass_g)
                self._weigh_in.told(str(detail.get("what")), float(mass_g))
                left_out = self._weigh_in.state.skipped
                self.skipped += [s.name for s in left_out if s.name not in self.skipped]
            case EventKind.MARK if detail.get("text") == PROBE_BELIEVED:
                self.watch.believe()
            case _:
                pass

    def _catch_up(self) -> None:
        """Make the advisor of a drink that was moved before it was seen here, and tell it what was read since."""
        prepare, self.prepare = self.prepare, None
        start_s = self._started_s
        assert prepare is not None and start_s is not None
        self.advisor = prepare(self.known(self.watch.mean_c(start_s)))
        for at_s, temp_c in self.watch.since(start_s):
            if at_s - start_s <= self.believed_until_s:
                told = at_s - start_s, self.heard.temp_c(temp_c), None, self.believed_until_s
                self.words = self.advisor(*told) or self.words

    def _order_at(self, kind: EventKind, at_s: float | None, by: Source, **told: float) -> float:
        """Order what happened at a moment of the journal, now where none is given; that moment [s]."""
        ago_s = 0.0 if at_s is None else max(self.now_s - at_s, 0.0)
        event = self._order(
            kind, **({} if at_s is None else {AGO_S: round(ago_s, 4), "by": by.value, **told})
        )
        return self.follower.at_s(event.at_ns) - ago_s

    def begin(self, at_s: float | None = None, by: Source = Source.OPERATOR) -> None:
        """The motion begins, or began at a moment of the journal as was heard or felt: the clock runs from there."""
        again = self.started
        self._started_s, self.started_by = self._order_at(EventKind.START, at_s, by), by
        self._advised_s, self.heard_rhythm = 0.0, None
        self.said = ""
        if self.hands is not None and not again:
            self._put(0.0)
            self.hands.start()

    def _stop(self, at_s: float | None = None, by: Source = Source.OPERATOR, **told: float) -> None:
        if self.hands is not None:
            self.hands.stop()
        self._rest(self._order_at(EventKind.STOP, at_s, by, **told), by)

    def _rest(self, at_s: float, by: Source) -> None:
        """The drink has come to rest."""
        self._stopped_s, self.stopped_by = at_s, by
        self.watch.look(self._stopped_s, self._started_s)
        self._weigh_in = WeighIn(self.way.after)

    def _hear(self, moment: Moment) -> None:
        self._strokes.hear(moment.time_s, moment.port, moment.samples)
        for sample in moment.samples:
            if not self.follower.is_main(moment.port, sample):
                continue
            self._know(moment.port, sample)
            if sample.quantity is Quantity.MASS:
                # A clock that learns may step back by a little; for a scale at rest that means nothing.
                self._scale_s = max(self._scale_s, moment.time_s)
                self._weigh_in.update(self._scale_s, sample.value, settled=sample.quality is Quality.GOOD)
            elif sample.quantity is Quantity.TEMPERATURE:
                self._read(moment.time_s, sample)
        self._advise(moment.time_s)

    def _read(self, time_s: float, sample: Sample) -> None:
        """A reading of the main probe; while the drink rests again, it is not the drink's any more."""
        good = sample.quality in (Quality.GOOD, Quality.UNSETTLED)
        self.watch.hear(time_s, sample.value if good else math.nan)
        if good and self._stopped_s is None:
            self._temp_c = sample.value

    def _advise(self, at_s: float) -> None:
        """Ask the advisor, who hears no temperature that is not believed."""
        if self.advisor is None or self._started_s is None or not self.moving:
            return
        # Two boards' clocks are not learnt equally well: an advisor never hears time run back.
        temp_c = self.heard.temp_c(self.temp_c)
        before, self._advised_s = self.words, max(self._advised_s, at_s - self._started_s)
        self.words = self.advisor(self._advised_s, temp_c, self.rhythm, self.believed_until_s) or before
        was_due = before is not None and before.stop_now
        if self.words is not None and self.words.stop_now and not was_due and not self.blind:
            self.ring()
        if self.by_itself and self.way.duration_s is None and self.words is not None and self.words.due:
            self._stop()

    def _know(self, port: int, sample: Sample) -> None:
        """Find what is known of a main channel when it is heard for the first time as such."""
        if self._main.get(sample.quantity) != (port, sample.channel) and self.follower.header is not None:
            self._main[sample.quantity] = port, sample.channel
            if sample.quantity is Quantity.TEMPERATURE:
                self.watch.another()
            self.heard.hear(self.follower.header.ports[port].name, sample.channel, sample.quantity)

    def _note_weighed(self) -> None:
        """Put into the journal what has been weighed, again where more was added."""
        named = {w.step.name: round(w.mass_g, 1) for w in self._weigh_in.state.named}
        parts = [named[name] for name, _ in self.way.ingredients if name in named]
        if parts and len(parts) == len(self.way.ingredients):
            named["drink"] = round(sum(parts), 1)
        for what, mass_g in named.items():
            if abs(mass_g - self.weighed.get(what, float("inf"))) > AGREED_G:
                self.weighed[what] = mass_g
                port, channel = self._main[Quantity.MASS]
                # As the scale showed it, and which scale: it is corrected where the run is taken in.
                self._order(EventKind.WEIGH, what=what, mass_g=mass_g, port=port, channel=channel)

    def _ask(self, step: Step | None) -> None:
        self._step, self._asked_s = step, self.now_s
        if self.hands is not None and step is not None:
            if step.kind is StepKind.VESSEL:
                self._on_scale_g = 0.0
            self._put(self._on_scale_g + self._simulated_g(self.hands, step.name))

    def _put(self, mass_g: float) -> None:
        self._on_scale_g = mass_g
        if self.hands is not None:
            self.hands.put_on_scale(mass_g)

    def _simulated_g(self, hands: Hands, what: str) -> float:
        drink = hands.drink
        recipe_g = dict(self.way.ingredients)
        if what in recipe_g:
            return recipe_g[what] * drink.drink_mass_g / sum(recipe_g.values())
        return {
            "empty vessel": self.way.vessel_g or drink.vessel_mass_g,
            "ice": drink.ice_mass_g,
            "empty glass": GLASS_G,
            "strained": drink.strained_g(max(hands.moved_s, 1.0)),
        }[what]


def _by(event: Event) -> Source:
    """Who told an event."""
    return Source(event.detail.get("by", Source.OPERATOR))
