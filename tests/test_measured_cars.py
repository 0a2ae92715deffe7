"""The simulator against road tests of cars that others measured: docs/measured-cars.md holds the numbers.

Pinned numbers notice a change in the physics; they are what came out, not what was aimed at.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.published import measured_cars as mc
from tests.published import measured_page as page

ONCE_S = 0.02
"""Change in a pinned time that a reader should be told of."""


def test_the_page_is_up_to_date():
    assert page.PAGE.read_text(encoding="utf-8") == page.page()


def test_the_data_sets_are_those_described():
    quarter, sixty = mc.quarter_mile_cars(), mc.sixty_mph_cars()
    assert len(quarter.time_s) == 32
    assert len(sixty.time_s) == 400
    assert round(float(np.median(quarter.axle_ratio)), 1) == mc.VALUES["axle_ratio"]
    assert 600 < sixty.curb_kg.min() < sixty.curb_kg.max() < 2500
    assert 30e3 < sixty.power_w.min() < sixty.power_w.max() < 180e3


@pytest.mark.parametrize(
    ("which", "formula", "rank", "bias_s", "median_s"),
    [
        (page.QUARTER, page.SIMULATOR, 0.856, 1.115, 1.132),
        (page.QUARTER, "Fox", 0.847, 0.749, 0.821),
        (page.QUARTER, "Huntington", 0.847, 0.811, 0.852),
        (page.SIXTY, page.SIMULATOR, 0.780, -0.268, 1.050),
        (page.SIXTY, "Fox", 0.768, -2.434, 2.308),
        (page.SIXTY, "Huntington", 0.768, -1.356, 1.337),
    ],
)
def test_agreement_with_nothing_fitted(which, formula, rank, bias_s, median_s):
    cars, predicted = page.comparison(which)
    found = page.figures(cars, predicted[formula])
    assert found.rank == pytest.approx(rank, abs=0.003)
    assert found.bias_s == pytest.approx(bias_s, abs=ONCE_S)
    assert found.median_s == pytest.approx(median_s, abs=ONCE_S)


@pytest.mark.parametrize("which", [page.QUARTER, page.SIXTY])
def test_ranks_at_least_as_well_as_the_power_law(which):
    cars, predicted = page.comparison(which)
    assert page.figures(cars, predicted[page.SIMULATOR]).rank >= page.figures(cars, predicted["Fox"]).rank


def test_one_constant_on_half_of_the_cars():
    """Median error on the other half: no worse than the power law on 400 cars, a little worse on 32."""
    sixty, quarter = page.halves(page.SIXTY), page.halves(page.QUARTER)
    assert sixty[page.SIMULATOR].median_s <= sixty["Fox"].median_s
    assert sixty[page.SIMULATOR].typical_s <= sixty["Fox"].typical_s
    assert quarter[page.SIMULATOR].typical_s == pytest.approx(quarter["Fox"].typical_s, abs=0.02)
    assert quarter[page.SIMULATOR].median_s == pytest.approx(0.720, abs=ONCE_S)
    assert quarter["Fox"].median_s == pytest.approx(0.624, abs=ONCE_S)


def test_what_the_page_says_of_the_errors():
    """Its explanations stand in words: each must hold in the numbers."""
    groups = page.groups()
    quarters = [groups[f"0-60 mph, {word} quarter in weight over power"].simulator for word in
                ("lowest", "second", "third", "highest")]  # fmt: skip
    assert quarters == sorted(quarters, reverse=True)
    eras = [each.simulator for name, each in groups.items() if "models" in name]
    assert abs(np.diff(eras)[0]) < (quarters[0] - quarters[-1]) / 4
    gearbox = [groups[f"quarter mile, {kind} gearbox"].simulator for kind in ("automatic", "manual")]
    assert gearbox[0] > gearbox[1]
    for which in (page.QUARTER, page.SIXTY):
        cars, predicted = page.comparison(which)
        assert page.exponent_of(cars, cars.time_s) < page.exponent_of(cars, predicted[page.SIMULATOR])
    worth = page.sensitivities()
    cars, predicted = page.comparison(page.QUARTER)
    ours, law = (page.figures(cars, predicted[each]) for each in (page.SIMULATOR, "Fox"))
    assert max(abs(rank) for _, rank in worth.values()) > ours.rank - law.rank
    assert sum(sorted((abs(time) for time, _ in worth.values()), reverse=True)[:3]) > abs(ours.bias_s)


def test_constant_power_links_the_yardsticks():
    """20 lb/hp: under constant power a distance x takes 1.5 x / v, and time grows as speed squared."""
    one = np.ones(1)
    car = mc.Measured(2000 * mc.LB * one - mc.VALUES["load_kg"], 100 * mc.HP_W * one, one, one, one, one)
    trap_mph = 230.0 / 20 ** (1 / 3)
    quarter_s = 1.5 * 1320.0 / (trap_mph * 5280.0 / 3600.0)
    assert mc.law_quarter_mile_s(car, "Fox")[0] == pytest.approx(6.269 * 20 ** (1 / 3))
    assert mc.law_sixty_mph_s(car, "Fox")[0] == pytest.approx(quarter_s * (60.0 / trap_mph) ** 2)


def test_time_to_speed_does_not_depend_on_the_marks():
    inputs = mc.inputs_of(mc.sixty_mph_cars()).take(slice(0, 40))
    coarse, fine = (mc.time_to_speed_s(inputs, mc.SIXTY_MS, step_m=step) for step in (8.0, 2.0))
    assert coarse == pytest.approx(fine, abs=2e-3)
    assert np.isnan(mc.time_to_speed_s(inputs, 200.0)).all()


def test_engine_turns_per_mile():
    """Rolling circumference from the size code: under 1 % in the mean of 73 cars, no bias."""
    revs = mc.engine_revs_per_mile()
    error = revs.predicted / revs.measured - 1
    assert len(error) == 73
    assert np.abs(error).mean() == pytest.approx(0.0090, abs=2e-4)
    assert np.abs(error).mean() < 0.01
    assert abs(error.mean()) < 0.001
