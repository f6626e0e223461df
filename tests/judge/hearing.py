"""How well a shake is heard: `python -m tests.judge.hearing --seeds 400-409`.

Two families of made-up sound, written apart (`tests.signals.bar_sounds`, `tests.signals.counter_sounds`): one shake in
each vessel over each noise. The sound is heard whole, as `chillrig hear` hears a file, and live, as a drink under way
does: looked at every half second, started and stopped by what is given. Noise alone must start nothing. What hearing
costs stands beside the band's filter alone (`scipy.signal.sosfilt`), without which nothing can be heard.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, cast

import numpy as np
from scipy.signal import sosfilt

from rig.errors import NotEnoughData
from rig.session import ear
from rig.session.drink import Session
from rig.session.ear import SoundTake, give
from rig.signals.moments import Source
from rig.signals.sound import FRAME_S, band_power, band_sections, hear_power
from tests.judge.judge import seeds_of
from tests.signals import bar_sounds, counter_sounds
from tests.signals.bar_sounds import RATE_HZ, Shake, over

EDGE_S, CADENCE_SHARE = 0.25, 0.03
LOOK_S, AFTER_S = 0.5, 4.0
"""From one look to the next, as the page sends; how long a take goes on after the shake, at the least."""
Made = Callable[[np.random.Generator, float], np.ndarray]
Right = tuple[bool, bool, bool]
"""Whether start, stop and cadence are."""
WRONG: Right = (False, False, False)


@dataclass(frozen=True)
class Family:
    """A way of making sounds up: a shake, its vessels, and what else is heard in a bar."""

    shake: Callable[..., Shake]
    vessels: Iterable[str]
    noises: Mapping[str, Made]


FAMILIES = {
    "bar": Family(bar_sounds.shake, bar_sounds.MODES_HZ, bar_sounds.NOISES),
    "counter": Family(counter_sounds.shaken, counter_sounds.WALLS_HZ, counter_sounds.NOISES),
}


@dataclass(frozen=True)
class Take:
    """A shake over a noise, as the power of the band."""

    what: str
    made: Shake
    power: np.ndarray


@dataclass
class Drink:
    """What `give` asks of a drink that waits to be moved, and what it was told."""

    ready_s: float | None = 0.0
    started_s: float | None = None
    started_by: Source | None = None
    stopped_by: Source | None = None
    stopped_s: float | None = None
    heard_rhythm: Any = None
    done: bool = False

    def begin(self, at_s: float, by: Source) -> None:
        """As `Session.begin`."""
        self.started_s, self.started_by = at_s, by

    def ended(self, at_s: float, by: Source, **_told: float) -> None:
        """As `Session.ended`."""
        self.stopped_s, self.stopped_by = at_s, by


def takes(family: Family, seed: int, signal_to_noise_db: float) -> Iterator[Take]:
    """One shake in each vessel over each noise."""
    rng = np.random.default_rng(seed)
    for name, noise in family.noises.items():
        for vessel in family.vessels:
            made = family.shake(rng, vessel, rng.uniform(2.0, 7.0), rng.uniform(5.0, 12.0))
            room = noise(rng, made.samples.size / RATE_HZ + 0.1)
            yield Take(f"{name}, {vessel}", made, band_power(over(made, room, signal_to_noise_db), RATE_HZ))


def by_file(take: Take) -> Right:
    """Of a take heard whole."""
    try:
        heard = hear_power(take.power)
    except NotEnoughData:
        return WRONG
    return _right(take.made, heard.start.time_s, heard.stop.time_s, heard.cadence_hz)


def live(power: np.ndarray, first_look_s: float) -> Drink:
    """A drink that goes by a sound that is looked at from a moment on, every half second."""
    take, drink, first = SoundTake(), Drink(), 0
    for at in [*np.arange(round(first_look_s / FRAME_S), power.size, round(LOOK_S / FRAME_S)), power.size]:
        take.add(power[first:at], 0.0)
        first = at
        heard = take.look()
        if heard is not None:
            give(cast(Session, drink), heard, heard.start.time_s, heard.stop.time_s)
    return drink


def by_live(take: Take, first_look_s: float) -> Right:
    """Of a take heard as it comes."""
    drink = live(take.power, first_look_s)
    if drink.started_s is None or drink.stopped_s is None:
        return WRONG
    return _right(take.made, drink.started_s, drink.stopped_s, drink.heard_rhythm.cadence_hz)


def _right(made: Shake, start_s: float, stop_s: float, cadence_hz: float) -> Right:
    return (
        abs(start_s - made.start_s) < EDGE_S,
        abs(stop_s - made.stop_s) < EDGE_S,
        abs(cadence_hz / made.cadence_hz - 1.0) < CADENCE_SHARE,
    )


def mixed(noises: Mapping[str, Made]) -> Made:
    """All noises at once, each as loud as the others."""
    return lambda rng, lasts_s: sum(
        (n(rng, lasts_s)[: int(lasts_s * RATE_HZ)] for n in noises.values()),
        start=np.zeros(int(lasts_s * RATE_HZ)),
    )


def false_starts(power: np.ndarray) -> int:
    """How many drinks a noise starts: each would have to be begun anew."""
    take, begun, first, waits = SoundTake(), 0, 0, 0.0
    for at in range(0, power.size, round(LOOK_S / FRAME_S)):
        take.add(power[first:at], 0.0)
        first = at
        heard = take.look()
        if heard is not None and heard.start.time_s > waits:
            begun, waits = begun + 1, take.lasts_s
    return begun


def false_shakes(power: np.ndarray, each_s: float = 30.0) -> int:
    """In how many pieces of a noise, each a file, a shake is heard."""
    size, count = round(each_s / FRAME_S), 0
    for first in range(0, power.size - size + 1, size):
        try:
            hear_power(power[first : first + size])
            count += 1
        except NotEnoughData:
            pass
    return count


def _shares(found: list[Right]) -> str:
    right = np.array(found, dtype=float)
    return " | ".join(
        f"{100 * share:.1f} ({right[:, n].sum():.0f})" for n, share in enumerate(right.mean(axis=0))
    )


def _judge_shakes(seeds: list[int], levels_db: list[float]) -> None:
    print("| sounds | dB | takes | heard | start % | stop % | cadence % |\n" + "| --- " * 7 + "|")
    for name, family in FAMILIES.items():
        for db in levels_db:
            whole, alive, missed = [], [], []
            for seed in seeds:
                look_s = np.random.default_rng([seed, 1])
                for take in takes(family, seed, db):
                    whole.append(by_file(take))
                    alive.append(by_live(take, look_s.uniform(0.0, LOOK_S)))
                    missed += [f"{seed} {take.what}"] * (not all(alive[-1]))
            print(f"| {name} | {db:g} | {len(whole)} | whole | {_shares(whole)} |")
            print(f"| {name} | {db:g} | {len(alive)} | live | {_shares(alive)} |", flush=True)
            counted = {m.split(" ", 1)[1] for m in missed}
            print("missed live:", {c: sum(m.endswith(c) for m in missed) for c in sorted(counted)})


def _judge_noise(seeds: list[int], minutes: float) -> None:
    """So much of each noise, and of all mixed."""
    print(
        "| sounds | noise | minutes | false starts live | pieces of 30 s heard as a shake |\n"
        + "| --- " * 5
        + "|"
    )
    starts = total = 0.0
    for name, family in FAMILIES.items():
        for noise, made in {**family.noises, "all mixed": mixed(family.noises)}.items():
            live_starts = pieces = 0
            for seed in seeds:
                power = band_power(
                    made(np.random.default_rng([seed, 2]), 60.0 * minutes / len(seeds)), RATE_HZ
                )
                live_starts += false_starts(power)
                pieces += false_shakes(power)
            starts, total = starts + live_starts, total + minutes
            print(f"| {name} | {noise} | {minutes:g} | {live_starts} | {pieces} |", flush=True)
    print(f"in all {starts:.0f} false starts in {total:.0f} min: {10 * starts / total:.2f} in ten minutes")


def _judge_cost(seed: int, waits: float) -> None:
    """CPU over the length of the sound, whole and live, beside the filter alone; `waits`: as long as a look took."""
    take = next(takes(FAMILIES["bar"], seed, 10.0))
    room = bar_sounds.music(np.random.default_rng(seed), take.made.samples.size / RATE_HZ + 0.1)
    samples = over(take.made, room, 10.0)
    lasts_s = samples.size / RATE_HZ

    def cost(what: Callable[[], object]) -> float:
        spent = []
        for _ in range(5):
            before = time.process_time()
            what()
            spent.append(time.process_time() - before)
        return float(np.median(spent)) / lasts_s

    filter_alone = cost(lambda: sosfilt(band_sections(RATE_HZ), samples))
    whole = cost(lambda: hear_power(band_power(samples, RATE_HZ)))
    alive = cost(lambda: live(band_power(samples, RATE_HZ), 0.3))
    print(
        f"CPU of a core: filter alone {filter_alone:.2%}, whole {whole:.2%}, live with a look every "
        f"{LOOK_S:g} s {alive:.2%} (it waits, so that it never takes more than 1 in {1 + waits:.0f})"
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Judge how well a shake is heard")
    parser.add_argument("--seeds", default="401")
    parser.add_argument("--db", type=float, nargs="*", default=[10.0, 0.0], help="signal to noise")
    parser.add_argument("--minutes", type=float, default=10.0, help="of each noise; 0 for none")
    args = parser.parse_args()
    seeds = seeds_of(args.seeds)
    waits = ear.WAITS
    # a look whenever something comes: here comes in moments what there comes in seconds
    ear.LEAST_WAIT_S = ear.WAITS = 0.0
    _judge_cost(seeds[0], waits)
    _judge_shakes(seeds, args.db)
    if args.minutes:
        _judge_noise(seeds, args.minutes)


if __name__ == "__main__":
    main()
