"""NIST Statistical Reference Datasets, one-way analysis of variance.

https://www.itl.nist.gov/div898/strd/anova/anova.html. Data and certified values were seen in published copies
of the files. s_L, s_R and r follow from the certified mean squares by ISO 5725-2:1994, 7.4.
"""

from __future__ import annotations

import pytest

from rig.advice.evidence.statistics import pooled_sd, repeatability

# Resistivity of silicon wafers, five instruments with five readings each.
SIRSTV = (
    (196.3052, 196.1240, 196.1890, 196.2569, 196.3403),
    (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
    (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    (196.2119, 196.1051, 196.1850, 196.0052, 196.2090),
)
# Atomic weight of silver, two instruments; the offset by 107.8681 is NIST's test of lost digits.
ATMWTAG = tuple(
    tuple(107.8681 + int(last) * 1e-7 for last in digits.split())
    for digits in (
        "568 465 572 785 446 903 526 494 616 587 519 486 419 569 508 672 385 518 662 424 360 333 610 477",
        "079 344 513 197 604 385 642 365 151 082 517 448 198 482 334 609 101 512 469 360 254 261 450 368",
    )
)


def test_sirstv_is_certified_to_the_last_digits() -> None:
    found = repeatability(SIRSTV)
    assert (found.freedom_between, found.freedom_within) == (4, 20)
    assert found.sum_of_squares_between == pytest.approx(5.11462616000000e-02, rel=1e-11)
    assert found.sum_of_squares_within == pytest.approx(2.16636560000000e-01, rel=1e-11)
    assert found.f_ratio == pytest.approx(1.18046237440255e00, rel=1e-11)
    assert found.repeatability_sd == pytest.approx(1.04076068334656e-01, rel=1e-11)


def test_sirstv_gives_the_standard_deviations_of_iso_5725() -> None:
    found = repeatability(SIRSTV)
    assert found.between_sd == pytest.approx(0.0197724, abs=5e-8)
    assert found.reproducibility_sd == pytest.approx(0.1059376, abs=5e-8)
    assert found.repeatability_limit == pytest.approx(0.29141, abs=5e-6)
    assert pooled_sd(SIRSTV).sd == pytest.approx(1.04076068334656e-01, rel=1e-11)
    assert pooled_sd(SIRSTV).degrees_of_freedom == 20


def test_atmwtag_keeps_its_digits_under_a_large_offset() -> None:
    found = repeatability(ATMWTAG)
    # The readings themselves hold about 1e-14 of 108 against a spread of 1.5e-5: nine digits at the most.
    assert found.f_ratio == pytest.approx(1.59467335677930e01, rel=1e-8)
    assert found.sum_of_squares_between == pytest.approx(3.63834187500000e-09, rel=1e-8)
    assert found.repeatability_sd == pytest.approx(1.51048314446410e-05, rel=1e-8)
