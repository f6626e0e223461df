from __future__ import annotations

from dataclasses import replace

import pytest

from rig.advice.call.assumed import filled
from rig.advice.compare.compare import compare
from rig.bench import Target
from rig.fitting.prediction import Basis, BasisKind
from rig.fitting.result import Fit
from rig.fitting.situation import Situation
from rig.report import wording
from rig.report.page import Report


@pytest.mark.parametrize(
    ("odds", "words"),
    [(0.84, "84 %"), (0.999, "over 99 %"), (1.0, "over 99 %"), (0.0, "under 1 %"), (0.014, "1 %")],
)
def test_odds_are_never_called_certain(odds: float, words: str) -> None:
    assert wording.odds_words(odds) == words


@pytest.mark.parametrize(
    ("time_s", "words"), [(1.8, "2"), (2.3, "2.5"), (5.9, "6"), (11.4, "11"), (75.5, "76")]
)
def test_durations_are_given_as_one_can_keep_them(time_s: float, words: str) -> None:
    assert wording.seconds(time_s) == words


def test_a_window_of_one_value_is_said_once() -> None:
    assert (wording.span((2.0, 2.1)), wording.span((9.2, 13.4))) == ("2", "9–13")


@pytest.mark.parametrize(
    ("basis", "words"),
    [
        (Basis(12, BasisKind.MEASURED, 40), "Rests on 12 runs of this very drink on this set-up."),
        (Basis(1, BasisKind.MEASURED, 1), "Rests on 1 run of this very drink on this set-up."),
        (Basis(0, BasisKind.PRIOR_ONLY, 0), "Rests on no run at all"),
        (
            Basis(0, BasisKind.TRANSFERRED, 9, ("never measured",)),
            "from 9 runs on related set-ups: never measured.",
        ),
        (
            Basis(5, BasisKind.TRANSFERRED, 9, ("a start at 60 °C",)),
            "on from 5 runs of this drink on this set-up, extrapolated: a start",
        ),
        (
            Basis(5, BasisKind.MEASURED, 9, ("a shake of 19 s, run from 6 to 18 s",)),
            "of this very drink on this set-up, extrapolated: a shake of 19 s",
        ),
    ],
)
def test_a_call_says_what_it_rests_on(basis: Basis, words: str) -> None:
    assert words in wording.basis_sentence(basis)


def test_a_target_is_said_with_all_its_limits() -> None:
    target = Target(-2.0, (0.3, 0.36), (10, 14), (100, 120), serve_temp_c_min=-5.0, name="coupe")
    assert wording.target_words(target) == (
        "coupe: at −5 °C or warmer, at −2 °C or colder, dilution 30 % to 36 %, 10 to 14 % ABV, "
        "100 to 120 ml in the glass"
    )


def test_start_and_ice_are_said_with_where_they_are_from_and_vessel_and_room_where_asked(fit: Fit) -> None:
    names = ("shake", "steel tin", "freezer cube", "night shift")
    given = Situation(*names, 24.0, 90.0, 210.0, -16.0, 5.0, 21.0)
    assert wording.assumptions(filled(fit, given)) == (
        "90 g of drink at 24 °C (asked) · ice at −16 °C, 210 g of it (asked) · vessel at 5 °C (asked) · "
        "room at 21 °C (asked)"
    )
    left_open = wording.assumptions(filled(fit, Situation(*names)))
    assert left_open.startswith(
        "Drink at 21 °C (usual for this drink on this set-up) · ice at −16 °C (the bench's"
    )
    assert "vessel" not in left_open


def test_the_headline_is_the_call_or_says_that_none_serves(report: Report) -> None:
    call = replace(report.drinks[0].best, duration_s=11.2, window_s=(9.1, 13.3), odds=0.84, feasible=True)
    assert wording.headline(call).endswith("11 s · 9 to 13 will do · lands 84 of 100")
    assert wording.headline(replace(call, odds=0.1, feasible=False)).endswith(
        "lands this · at best 10 of 100, at 11 s"
    )
    assert "· to the second ·" in wording.headline(replace(call, window_s=(11.1, 11.3)))


def test_pairs_that_differ_in_one_thing_come_apart_from_the_rest_and_name_what_they_share(fit: Fit) -> None:
    found = compare(fit)
    close, others = wording.pairs_in_words(found)
    assert len(close) + len(others) == len(found.pairs) == 3
    assert [s.split(":")[0] for s in close] == ["shake · steel tin"]
    assert len(others) == 2


def test_what_cannot_be_compared_is_said_once_and_not_again_in_its_pairs(fit: Fit) -> None:
    found = compare(fit)
    why = "only 1 sound run of it. Make 2 more"
    pairs = tuple(replace(p, gaps=(why,)) for p in found.pairs[:2])
    told = replace(found, pairs=pairs)
    assert wording.not_comparable(told) == ("Only 1 sound run of it. Make 2 more.",)
    assert not any("Make 2 more" in s for part in wording.pairs_in_words(told) for s in part)
