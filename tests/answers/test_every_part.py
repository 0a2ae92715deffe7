"""Every part put into a build, and steps up to its speed: against the answers they must agree with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.answers.every_part import every_part
from optimizer.answers.speed_steps import speed_steps_of
from optimizer.answers.swaps import best_swaps, single_swaps
from optimizer.choice.options import options_of
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel
from optimizer.run.stopping import stopping_of
from tests.scenes import MPH, STARTER, Scene


@pytest.fixture(scope="module")
def scene() -> Scene:
    return Scene(STARTER)


def tried_in(scene: Scene):
    return every_part(scene.judge, scene.legality, scene.book, scene.options.fitted)


def test_every_option_of_every_slot_is_there_once(scene):
    tried = [(each.slot, each.part) for each in tried_in(scene)]
    assert len(tried) == len(set(tried)) == sum(scene.options.sizes)
    inside = {each.slot: each.part for each in tried_in(scene) if each.inside}
    assert inside == dict(scene.options.decode(scene.options.fitted))


def test_the_first_of_each_slot_is_its_best_swap(scene):
    swaps, _ = best_swaps(single_swaps(scene.judge, scene.legality, scene.book, scene.options.fitted))
    first = {}
    for each in tried_in(scene):
        if each.legal and not each.inside:
            first.setdefault(each.slot, each)
    assert {swap.slot for swap in swaps} == set(first)
    for swap in swaps:
        assert first[swap.slot].gain_ms == pytest.approx(swap.gain_ms)
        assert first[swap.slot].cents == swap.cents or first[swap.slot].part != swap.other


def test_what_is_kept_out_has_a_reason_and_what_is_not_has_none(scene):
    """Reasons are those of the rules: never, whatever else is chosen, or only beside this build's other parts."""
    options = scene.options
    for each in tried_in(scene):
        build = options.fitted.copy()
        s = options.position(each.slot)
        build[s] = [part.id for part in options.parts[s]].index(each.part)
        problems = {f"{reason.check}: {reason.text}" for reason in scene.legality.violations(build)}
        if each.inside:
            continue
        if each.legal:
            assert not problems
            assert scene.legality.allowed(build[None])[0]
        else:
            assert each.never or each.here
            assert set(each.never) <= problems


def test_steps_rise_to_the_speed_at_the_last_board(scene):
    """Whole steps of 5, well apart, then the exit speed itself; revs, stops and heat rise with them."""
    build = scene.options.fitted
    steps = speed_steps_of(scene.judge, build)
    last = scene.judge.runs(build[None])[0].passing.speed[1, 0]
    assert steps[-1].speed_ms == pytest.approx(float(last))
    for step in steps[:-1]:
        assert (step.speed_ms / MPH) % 5 == pytest.approx(0, abs=1e-9) or (step.speed_ms / MPH) % 5 == pytest.approx(5)
    for name in ("speed_ms", "rpm", "throttle", "stop_m", "coast_m", "rise_share"):
        values = [getattr(step, name) for step in steps]
        assert values == sorted(values)
    assert steps[-1].throttle <= 1


def test_the_steps_of_a_license_are_among_them(scene):
    """In place of round ones close by."""
    asked = (77 * MPH, 81.4 * MPH)
    event = replace(scene.judge.event, meet=replace(scene.judge.event.meet, license_steps_ms=(*asked, 300 * MPH)))
    judge = Judge(RunModel(options_of(replace(scene.options.scenario, event=event))))
    steps = [step.speed_ms for step in speed_steps_of(judge, scene.options.fitted)]
    assert set(asked) < set(steps)
    assert 80 * MPH not in [pytest.approx(each) for each in steps]
    assert len(steps) > len(asked) + 1


def test_the_last_step_stops_as_the_stopping_rule_says(scene):
    build = scene.options.fitted
    step = speed_steps_of(scene.judge, build)[-1]
    stop = stopping_of(scene.judge.model, build[None], np.array([step.speed_ms]))
    assert step.stop_m == pytest.approx(float(stop.distance_m.max()))
    assert step.rise_share == pytest.approx(float(stop.rise_share[0]))
