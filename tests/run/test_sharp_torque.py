"""Power bands and turbochargers that come in: the simulator takes more points for such engines, as a solver confirms.

The judge is `independent_run`, scipy's solver of differential equations.
"""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from optimizer.run.conditions import FINER
from optimizer.run.inputs import models_side_by_side
from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import CurvePoints, Engine
from optimizer.scenario.reading import read_scenario
from optimizer.search.study import Study
from tests.run.independent_run import independent_run
from tests.scenes import STARTER
from tests.search.catalogs import machinery, random_catalog

MPH = 0.44704
ALLOWED_MPH = 0.005
CURVES = {
    "two-stroke": ((2000, 4000, 5000, 5500, 6000, 7000, 7500, 8000), (30, 40, 50, 80, 110, 115, 95, 50)),
    "turbo": ((1500, 2500, 3000, 3500, 4000, 5500, 6500, 7200), (60, 75, 110, 170, 185, 180, 160, 120)),
    "jump": ((2000, 4000, 4300, 6000, 7200), (55, 60, 130, 135, 100)),
}
"""Invented; engine speed [1/min] and torque, to be scaled to each engine's own."""


def with_curve(seed: int, name: str, every: int = 1) -> Scenario:
    """A random catalog in which every so many of the engines has such a curve."""
    scenario, (rpm, torque) = random_catalog(seed), CURVES[name]
    parts, number = dict(scenario.parts), 0
    for part_id, part in scenario.parts.items():
        if isinstance(part, Engine) and part.curve is not None:
            number += 1
            if number % every == 0:
                scale = max(part.curve.torque_nm) / 120.0
                curve = CurvePoints(tuple(map(float, rpm)), tuple(scale * each for each in torque))
                parts[part_id] = replace(part, curve=curve, rev_limit_rpm=float(rpm[-1]))
    return replace(scenario, parts=MappingProxyType(parts))


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("seed", [0, 1, 9])
def test_runs_agree_with_a_solver(name, seed):
    options, _, _, judge = machinery(with_curve(seed, name))
    rng = np.random.default_rng(seed)
    builds = np.stack([rng.integers(0, size, 12) for size in options.sizes], axis=1)
    inputs = judge.model.inputs(builds, judge.conditions[0])
    assert (judge.model.table.finer == FINER).any()
    score = judge.run_of(inputs).score_ms
    measure = judge.event.scoring.measure
    for n in range(len(builds)):
        told = independent_run(inputs.take(np.array([n])), judge.marks_m, measure).score_ms
        assert abs(score[n] - told) < ALLOWED_MPH * MPH, builds[n]


def test_the_car_that_a_few_points_made_jump():
    """A two-stroke over a mile: among random builds the usual points missed one by twenty meters a second."""
    options, _, _, judge = machinery(with_curve(9, "two-stroke"))
    rng = np.random.default_rng(0)
    builds = np.stack([rng.integers(0, size, 3000) for size in options.sizes], axis=1)
    inputs = judge.model.inputs(builds, judge.conditions[0])
    usual = judge.run_of(replace(inputs, torque_table=replace(inputs.torque_table, finer=None))).score_ms
    worst = int(np.abs(judge.run_of(inputs).score_ms - usual).argmax())
    one = inputs.take(np.array([worst]))
    told = independent_run(one, judge.marks_m, judge.event.scoring.measure).score_ms

    assert abs(usual[worst] - told) > 1.0
    assert abs(judge.run_of(one).score_ms[0] - told) < ALLOWED_MPH * MPH


@pytest.mark.parametrize("folder", [STARTER, "catalogs_demo/thrennel_flat"])
def test_engines_that_breathe_by_themselves_take_no_more_points(folder):
    assert Study.of(read_scenario(folder)).judge.model.table.finer is None


def test_results_do_not_hang_on_who_runs_beside():
    """Cars of both kinds in one batch, of one model and of two, and a last gear given for each."""
    options, _, _, judge = machinery(with_curve(2, "jump", every=2))
    rng = np.random.default_rng(1)
    builds = np.stack([rng.integers(0, size, 40) for size in options.sizes], axis=1)
    inputs = judge.model.inputs(builds, judge.conditions[0])
    finer = judge.model.table.finer
    assert set(finer[inputs.engine]) == {1, FINER}
    whole = judge.run_of(inputs)
    for n in range(len(builds)):
        one = judge.run_of(inputs.take(np.array([n])))
        assert one.score_ms[0] == whole.score_ms[n]
        assert (one.passing.time[:, 0] == whole.passing.time[:, n]).all() or whole.score_ms[n] == 0
    smooth = machinery(random_catalog(2))[3].model
    both = judge.run_of(models_side_by_side([inputs, smooth.inputs(builds, judge.conditions[0])]))
    np.testing.assert_array_equal(both.score_ms[:40], whole.score_ms)
    gears = rng.integers(0, 3, 40)
    np.testing.assert_array_equal(
        judge.run_of(inputs, gears).score_ms[::-1], judge.run_of(inputs.take(np.arange(40)[::-1]), gears[::-1]).score_ms
    )
