"""What the priors alone say of shaking and stirring, against measurements that were published.

The list is whole: every chilling or dilution figure at hand that states how long, or that a plateau was reached.
Each has a scatter of its own, mostly what its source leaves open (the mass and temperature of the ice, the vessel,
the hand); a value must lie where prior spread and scatter together put it, and all of them on average.
`surprise` is (published − median) ÷ √(prior variance + scatter²).

Sources: [A09] D. Arnold, 'Cocktails: The Science of Shaking', Cooking Issues, 22 and 24 July 2009; [A10] 'Cocktail
Science in General: Part 1 of 2', Cooking Issues, 2 September 2010; [A14] D. Arnold, Liquid Intelligence, W. W. Norton
2014, regressions, from memory; [G12] Gizmodo, 'Shaken or Stirred: Which Gets You Drunker?', 30 March 2012; [N] New
Scientist, 'The Last Word: Martinis are forever' (mg21328492.600); [B12] bartendingnotes.wordpress.com, 22 August 2012;
[R24] a reader's replication, r/cocktails, 5 April 2024; [K25] kitchenoffices.blogspot.com, December 2025.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pytest

from rig.arrays import FloatArray
from rig.bench import parse_bench
from rig.fitting.bench_fit import prior_fit
from rig.fitting.prediction import Prediction, predict_all
from rig.fitting.situation import Situation
from rig.runs import RunBook

ROOM_C = 22.0
SHAKEN_S = np.array([4.0, 8.0, 12.0, 15.0, 20.0, 24.0, 30.0, 40.0])
STIRRED_S = np.array([15.0, 30.0, 37.5, 40.0, 60.0, 120.0])
STRENGTHS = {"shake": (20, 25, 30), "stir": (30, 35, 40)}
# no source states its vessel: a two-piece tin of 200 J/K for the shake, the smaller half of one for the stir
BENCH = """
[vessels."two tins"]
mass_g = 400
[vessels."one tin"]
mass_g = 250
[ice.tray]
edge_mm = 30
[ice.bar]
edge_mm = 32
temp_c = 0
[recipes.vodka]
ingredients = [{ name = "vodka", mass_g = 70, abv_pct = 40 }]
[recipes.martini]
ingredients = [
  { name = "gin", volume_ml = 60, abv_pct = 43 },
  { name = "vermouth", volume_ml = 15, abv_pct = 17, sugar_g_per_100ml = 3 },
]
[recipes.sour]
ingredients = [
  { name = "rum", volume_ml = 60, abv_pct = 40 },
  { name = "lime", volume_ml = 22, sugar_g_per_100ml = 1.5 },
  { name = "rich syrup", volume_ml = 15, sugar_g_per_100ml = 88 },
]
"""


def strength(technique: str, abv: int) -> str:
    """A drink of that strength, from strong spirit, water and a little syrup."""
    syrup_ml = 10 if technique == "shake" else 5
    spirit_ml = abv * (90 + syrup_ml) / 60
    return f"""
[recipes."{technique} {abv}"]
ingredients = [
  {{ name = "strong spirit", volume_ml = {spirit_ml:.2f}, abv_pct = 60 }},
  {{ name = "water", volume_ml = {90 - spirit_ml:.2f} }},
  {{ name = "syrup", volume_ml = {syrup_ml}, sugar_g_per_100ml = 60 }},
]
"""


@dataclass(frozen=True)
class Told:
    """The prior predictions, by a name of their own."""

    by_name: Mapping[str, Prediction]

    def temp(self, name: str, at_s: float) -> FloatArray:
        """End temperature at a moment [°C], (draws,)."""
        p = self.by_name[name]
        return np.asarray(p.temp_c[:, np.searchsorted(p.duration_s, at_s)])

    def added(self, name: str, at_s: float) -> FloatArray:
        """Water added by a moment [g], (draws,)."""
        p = self.by_name[name]
        return np.asarray(p.added_g[:, np.searchsorted(p.duration_s, at_s)])

    def dilution(self, name: str, *at_s: float) -> FloatArray:
        """Water added ÷ starting volume, the mean of some moments, (draws,)."""
        p = self.by_name[name]
        return np.asarray(p.dilution_by_volume[:, np.searchsorted(p.duration_s, at_s)].mean(axis=1))


@pytest.fixture(scope="module")
def told() -> Told:
    recipes = "".join(strength(t, a) for t, all_of in STRENGTHS.items() for a in all_of)
    bench, notes = parse_bench(BENCH + recipes)
    assert not notes
    fit = prior_fit(RunBook(bench, ()))

    def asked(
        technique: str, recipe: str, ice: str = "bar", start_c: float = ROOM_C, ice_g: float = 200.0
    ) -> Situation:
        vessel = "two tins" if technique == "shake" else "one tin"
        return Situation(
            technique, vessel, ice, recipe, drink_temp_c=start_c, ice_mass_g=ice_g, room_temp_c=ROOM_C
        )

    shaken = {
        "vodka": asked("shake", "vodka", "tray", 22.8, 350.0),
        "sour": asked("shake", "sour"),
        "warm sour": asked("shake", "sour", start_c=26.0),
        "martini": asked("shake", "martini"),
    } | {f"shake {a}": asked("shake", f"shake {a}") for a in STRENGTHS["shake"]}
    stirred = {
        "vodka": asked("stir", "vodka", "tray", 22.8, 350.0),
        "martini": asked("stir", "martini", ice_g=250.0),
    } | {f"stir {a}": asked("stir", f"stir {a}", ice_g=250.0) for a in STRENGTHS["stir"]}
    found = {}
    for kind, situations, times in (("shaken", shaken, SHAKEN_S), ("stirred", stirred, STIRRED_S)):
        # by so many the mean square below is known to some 0.01
        predictions = predict_all(fit, list(situations.values()), times, draws=2048)
        found |= {f"{kind} {name}": p for name, p in zip(situations, predictions, strict=True)}
    return Told(found)


def shaken_dilution(a: float) -> float:
    return -1.567 * a**2 + 1.742 * a + 0.203


def stirred_dilution(a: float) -> float:
    return -1.21 * a**2 + 1.246 * a + 0.145


@dataclass(frozen=True)
class Published:
    """A published value with its scatter, and how the prior tells it."""

    value: float
    scatter: float
    told: Callable[[Told], FloatArray]


def chill_share(t: Told) -> FloatArray:
    """How much of the chill to 40 s has come by 12 s."""
    return np.asarray((ROOM_C - t.temp("shaken sour", 12)) / (ROOM_C - t.temp("shaken sour", 40)))


SHAKEN = {
    # [G12], 14 cubes of 25 g from a tray; its heat does not close, another report has less ice
    "30 s, 70 g of vodka [°C]": Published(-1.7, 3.0, lambda t: t.temp("shaken vodka", 30)),
    "30 s, 70 g of vodka [g]": Published(46.0, 15.0, lambda t: t.added("shaken vodka", 30)),
    # [A09] down to −7 °C with ice at 0 °C; [A10] a plateau by 12–15 s
    "15 s [°C]": Published(-7.0, 1.5, lambda t: t.temp("shaken sour", 15)),
    # [R24], one shake from 26 °C
    "15 s from 26 °C [°C]": Published(-6.0, 1.5, lambda t: t.temp("shaken warm sour", 15)),
    # [A09] 'almost leveled out by 12 s', then a degree or two
    "share of the chill by 12 s": Published(0.95, 0.04, chill_share),
    "from 12 to 24 s [K]": Published(
        1.0, 0.7, lambda t: t.temp("shaken sour", 12) - t.temp("shaken sour", 24)
    ),
    # [A09] as quoted: from 20 to 40 s another 20 g of ice; no 330 W can come through a wall, so much was chipped
    "from 20 to 40 s [g]": Published(
        20.0, 10.0, lambda t: t.added("shaken sour", 40) - t.added("shaken sour", 20)
    ),
    # [A14] a smooth through recipes, which states no time: 12 to 15 s, as the plateau
    **{
        f"dilution at {a} % vol": Published(
            shaken_dilution(a / 100), 0.05, lambda t, a=a: t.dilution(f"shaken shake {a}", 12, 15)
        )
        for a in STRENGTHS["shake"]
    },
}
STIRRED = {
    # [G12], as above; here the heat closes, without any of a vessel's
    "30 s, 70 g of vodka [°C]": Published(3.4, 3.0, lambda t: t.temp("stirred vodka", 30)),
    "30 s, 70 g of vodka [g]": Published(16.0, 15.0, lambda t: t.added("stirred vodka", 30)),
    # [N] mean of 2.5 °C with a knife and 3.9 °C with a tablespoon, five nights each
    "30 s [°C]": Published(3.2, 1.5, lambda t: t.temp("stirred martini", 30)),
    # [B12] 40 s of stirring go below 0 °C
    "40 s [°C]": Published(-0.5, 1.5, lambda t: t.temp("stirred martini", 40)),
    # [K25], printed in °C but must be °F; '36 % water', by its heat of the finished drink, so 0.56 of the start
    "60 s [°C]": Published(-4.4, 2.0, lambda t: t.temp("stirred martini", 60)),
    "60 s, dilution": Published(0.56, 0.1, lambda t: t.dilution("stirred martini", 60)),
    # [A10] over two minutes of stirring do what shaking does in 15 s
    "120 s against 15 s shaken [K]": Published(
        0.0, 1.5, lambda t: t.temp("stirred martini", 120) - t.temp("shaken martini", 15)
    ),
    # [A14] as above: 30 to 37.5 s
    **{
        f"dilution at {a} % vol": Published(
            stirred_dilution(a / 100), 0.05, lambda t, a=a: t.dilution(f"stirred stir {a}", 30, 37.5)
        )
        for a in STRENGTHS["stir"]
    },
}


def surprise(told: Told, published: Published) -> float:
    """How many standard deviations the published value lies from the prior's median."""
    draws = published.told(told)
    low, high = np.quantile(draws, [0.16, 0.84])
    return float((published.value - np.median(draws)) / np.hypot(0.5 * (high - low), published.scatter))


@pytest.mark.parametrize("name", SHAKEN)
def test_a_published_shake_is_no_surprise_to_the_prior(told: Told, name: str) -> None:
    assert abs(surprise(told, SHAKEN[name])) < 2.0


@pytest.mark.parametrize("name", STIRRED)
def test_a_published_stir_is_no_surprise_to_the_prior(told: Told, name: str) -> None:
    assert abs(surprise(told, STIRRED[name])) < 2.0


@pytest.mark.parametrize(("kind", "published"), [("shaken", SHAKEN), ("stirred", STIRRED)])
def test_all_published_values_together_are_as_surprising_as_such_values_should_be(
    told: Told, kind: str, published: Mapping[str, Published]
) -> None:
    surprises = {name: round(surprise(told, p), 2) for name, p in published.items()}
    square = float(np.mean(np.square(list(surprises.values()))))
    assert square < 1.2, (kind, square, surprises)


@pytest.mark.parametrize(
    ("published", "names", "within"),
    [
        (SHAKEN, ["15 s [°C]", "15 s from 26 °C [°C]"], 3.0),
        (STIRRED, ["30 s [°C]", "40 s [°C]", "60 s [°C]"], 1.5),
        (SHAKEN, [n for n in SHAKEN if n.startswith("dilution")], 0.06),
        (STIRRED, [n for n in STIRRED if n.startswith("dilution")], 0.10),
    ],
    ids=["shaken temperature", "stirred temperature", "shaken dilution", "stirred dilution"],
)
def test_the_middle_of_the_prior_is_near_the_published_middle(
    told: Told, published: Mapping[str, Published], names: list[str], within: float
) -> None:
    away = [float(np.median(published[n].told(told))) - published[n].value for n in names]
    assert abs(np.mean(away)) < within, away


def test_stirring_is_some_ten_times_slower_than_shaking(told: Told) -> None:
    """[A10] 120 s against 15 s, and [A09] 'level by 12 s' as three time constants of about 4 s."""

    def time_constant_s(name: str) -> float:
        p = told.by_name[name]
        temp = np.median(p.temp_c, axis=0)
        floor = float(np.median(told.temp("shaken martini", 40)))
        times = np.concatenate([[0.0], p.duration_s])
        left = np.concatenate([[1.0], (temp - floor) / (ROOM_C - floor)])
        return float(np.interp(-np.exp(-1.0), -left, times))

    assert 3.0 < time_constant_s("shaken martini") < 5.0
    assert 6.0 < time_constant_s("stirred martini") / time_constant_s("shaken martini") < 11.0
