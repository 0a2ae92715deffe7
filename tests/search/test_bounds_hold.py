"""Nothing fast enough is ever ruled out: forces, cuts and boxes against the simulator, at random and on purpose."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from scipy.optimize import differential_evolution

from optimizer.run.affine import Span
from optimizer.run.driving import Gear
from optimizer.run.envelope import Envelope
from optimizer.run.inputs import IntArray, RunInputs
from optimizer.run.ranges import Ranges
from optimizer.run.simulator import simulate
from optimizer.scenario.parts import Extra, Gearset, Tire
from optimizer.search.bounding import SLACK_MS as BOUND_SLACK_MS
from optimizer.search.bounding import Batch
from optimizer.search.demands import Scores, best_case, edges_about
from optimizer.search.drive_sets import DriveSets
from optimizer.search.propagation import Goal
from optimizer.search.purchases import Purchases
from optimizer.search.ranking import Ranker
from optimizer.search.tightening import ROUNDING_MS, RUN_ERROR_MS, Tightener
from tests.search import catalogs
from tests.search.catalogs import boxes_of, drive_sets_of, machinery, random_catalog, some_completions

SEEDS = range(18)
"""All layouts and scorings, with one run and with two."""


def ranker_of(seed: int) -> Ranker:
    """The search of a random catalog: seeds go through all layouts, scorings and numbers of runs.

    Tires grow with speed, a crosswind counts, and gears lose unequally.
    """
    scenario, rng = random_catalog(seed), np.random.default_rng(seed)
    parts = dict(scenario.parts)
    for name, part in parts.items():
        if isinstance(part, Tire):
            parts[name] = replace(part, growth=float(rng.uniform(0.0, 0.01)))
        if isinstance(part, Gearset):
            lost = tuple(map(float, rng.uniform(0.95, 0.99, len(part.ratios))))
            parts[name] = replace(part, efficiency=0.97, gear_efficiency=lost)
    car = replace(scenario.car, drag_rise_at_yaw=0.12)
    scenario = replace(scenario, parts=MappingProxyType(parts), car=car)
    _, legality, book, judge = machinery(scenario)
    return Ranker(judge, legality, book, None, None)


def tightener_of(ranker: Ranker) -> Tightener:
    """What a thorough search rules out with."""
    purchases = Purchases(ranker.book, ranker.judge.model.drive_slots)
    opener = ranker.opener
    return Tightener(
        ranker.judge, ranker.bounding, ranker.bounds, opener.narrower, opener.lister, purchases
    )  # fmt: skip


def sets_of(ranker: Ranker, rng: np.random.Generator, count: int) -> DriveSets:
    """Some drive sets of a catalog."""
    sets = drive_sets_of(ranker.legality, ranker.judge.model.drive_slots, ranker.book, None)
    return sets.take(np.sort(rng.choice(len(sets), min(count, len(sets)), replace=False)))


def left_of(ranker: Ranker, sets: DriveSets, goal: Goal, tightener: Tightener | None = None) -> set[bytes]:
    """Completions that a thorough search cannot rule out for a goal, through all its rounds."""
    ranker.tightener = tightener or tightener_of(ranker)
    sets = ranker.opener.narrower.by_equipment(sets, goal)
    if ranker.tightener.begin(sets, goal, ranker.opener.typical(sets, ranker.bounding.optimistic(sets))):
        sets = ranker.opener.narrower.not_too_fast(sets, goal)
    kept, number = set[bytes](), 0
    while len(sets):
        found, sets = ranker._step(sets, goal, number)
        kept |= {build.tobytes() for build in found}
        number += 1
    return kept


def screened(ranker: Ranker, sets: DriveSets, level: float) -> DriveSets:
    """Drive sets whose best case on coarse cells, without any cut, reaches a level."""
    scores = Scores(ranker.judge.event.scoring, ranker.judge.marks_m)
    batch = ranker.bounding.open(sets)
    edges, aim = edges_about(level - RUN_ERROR_MS, ranker.judge.model.car.start_speed_ms, 4)
    cases = [
        best_case(Envelope(ranker.space, batch.frame, batch.span, each, edges, aim)) for each in ranker.judge.conditions
    ]
    return sets.take(scores.joined(scores.bounds(cases)) >= level - RUN_ERROR_MS)


def points_of(batch: Batch, rows: IntArray, builds: IntArray) -> np.ndarray:
    """Coordinates of builds."""
    points = batch.frame.base[rows]
    for s, add in zip(batch.sets.free, batch.additions, strict=True):
        points = points + add.of(builds[:, s], rows)
    return points


def highest_acceleration(inputs: RunInputs, speed: np.ndarray, reached_ms: float = 0.0) -> np.ndarray:
    """Most acceleration (n,) of cars at ground speeds (n,) over all gears that go that fast, by the simulator.

    Gears that do not go as fast as ``reached_ms`` only up to their shift.
    """
    best = np.full(len(inputs), -np.inf)
    for number in range(len(inputs.overall)):
        for clutch in (False, True) if number == 0 else (False,):
            gear = Gear(inputs, number, clutch=clutch)
            surface = gear.surface_at(speed)
            push = gear.push(surface[None])
            limit = np.minimum(gear.limit_surface, inputs.surface_cap_ms)
            limit = np.where(limit < reached_ms, np.minimum(gear.shift_surface, limit), limit)
            most = gear.launch_surface if clutch else limit
            goes = gear.exists & (surface <= most) & (np.abs(push.speed[0] - speed) < 1e-6 * speed)
            best = np.where(goes, np.maximum(best, push.acceleration[0]), best)
    return best


@pytest.mark.parametrize("reached_ms", [0.0, 40.0])
@pytest.mark.parametrize("seed", SEEDS)
def test_no_completion_accelerates_harder_than_the_envelope(seed: int, reached_ms: float) -> None:
    """At forty speeds, in every gear: a is at most the mean force over inertia of the cell.

    By the highest thrust in the cell, and by the line that hangs on a car's own grip.
    """
    ranker, rng = ranker_of(seed), np.random.default_rng(seed)
    sets = sets_of(ranker, rng, 12)
    batch = ranker.bounding.open(sets)
    rows, builds = some_completions(sets, rng, 8)
    points = points_of(batch, rows, builds)
    for conditions in ranker.judge.conditions:
        edges, aim = edges_about(45.0, 0.0)
        envelope = Envelope(ranker.space, batch.frame, batch.span, conditions, edges, aim, None, reached_ms)
        inputs = ranker.judge.model.inputs(builds, conditions)
        against, grip = (force.take(rows).coefficients(points) for force in (envelope.resistance, envelope.grip))
        mass = envelope.mass.take(rows).at(points)
        cells = np.linspace(3, len(edges) - 2, 40).astype(int)
        speeds = 0.5 * (edges[cells] + edges[cells + 1])
        at_each = inputs.take(np.tile(np.arange(len(inputs)), len(cells)))
        accelerations = highest_acceleration(at_each, np.repeat(speeds, len(inputs)), reached_ms)
        for cell, speed, real in zip(cells, speeds, accelerations.reshape(len(cells), -1), strict=True):
            powers = speed ** np.arange(5)
            force = envelope.force[rows, cell]
            by_engine = (force - powers @ against) / envelope.share[rows, cell]
            by_grip = (powers @ grip - powers @ against) / envelope.grip_share[rows]
            line = 0.5 * envelope.own_ends[:, rows, cell].sum(axis=0) + envelope.per_grip[rows, cell] * (powers @ grip)
            by_line = (line - powers @ against) / envelope.share[rows, cell]
            by_engine = np.minimum(by_engine, by_line)
            most = np.where(envelope.gripping[rows, cell], np.minimum(by_engine, by_grip), by_engine) / mass
            counts = real > 0
            assert (real[counts] <= most[counts] * (1 + 1e-9) + 1e-9).all(), speed


@pytest.mark.parametrize("seed", SEEDS)
def test_where_resistance_is_said_to_grow_ever_faster_it_does(seed: int) -> None:
    """In cars anywhere in the span, between any two speeds; with any lift, which may take rolling away."""
    ranker, rng = ranker_of(seed), np.random.default_rng(600 + seed)
    batch = ranker.bounding.open(sets_of(ranker, rng, 30))
    edges, aim = edges_about(45.0, 0.0)
    said = []
    for conditions in ranker.judge.conditions:
        ranges = Ranges(ranker.space, batch.frame, batch.span, conditions, edges, aim)
        lift = rng.choice([-1.0, 1.0, 30.0], (1, len(batch.sets), 1))
        for power in (2, 3, 4):  # lift that is far from that of any car
            ranges.resistance.slope[power] *= lift[0]
        low = rng.uniform(0.0, 50.0, len(batch.sets))
        high = low + rng.uniform(0.5, 5.0, len(low))
        grows = ranges.grows(low, high)
        said.append(grows.mean())
        for _ in range(20):
            points = batch.span.least + rng.random(batch.span.least.shape) * (batch.span.most - batch.span.least)
            speeds = low + (high - low) * np.linspace(0.0, 1.0, 9)[:, None]
            powers = speeds[:, None] ** np.arange(5)[:, None]
            force = (ranges.resistance.coefficients(points) * powers).sum(axis=1)[:, grows]
            assert (np.diff(force, axis=0) >= -1e-9).all()
            assert (np.diff(force, 2, axis=0) >= -1e-9).all()
    assert 0.0 < np.mean(said) < 1.0


@pytest.mark.parametrize("seed", SEEDS)
def test_no_completion_is_sooner_at_a_speed_than_the_best_case(seed: int) -> None:
    """Along the way of cars that are fast in the end: gears that do not go so fast count as left at their shift.

    Boxes of single builds too, where the best case is closest.
    """
    ranker, rng = ranker_of(seed), np.random.default_rng(500 + seed)
    sets = sets_of(ranker, rng, 20)
    rows, builds = some_completions(sets, rng, 6)
    length, close = ranker.judge.marks_m[1], []
    for conditions in ranker.judge.conditions:
        inputs = ranker.judge.model.inputs(builds, conditions)
        final = simulate(inputs, (0.5 * length, length), "exit").score_ms
        level = float(np.quantile(final[final > 0], 0.5))
        edges, aim = edges_about(level, ranker.judge.model.car.start_speed_ms)
        for some, which in ((sets, rows), (boxes_of(sets, rows, builds), np.arange(len(rows)))):
            batch = ranker.bounding.open(some)
            case = best_case(Envelope(ranker.space, batch.frame, batch.span, conditions, edges, aim, None, level))
            for share in (0.02, 0.05, 0.1, 0.2, 0.3, 0.45, 0.6, 0.8, 0.95):
                run = simulate(inputs, (share * length, length), "exit")
                fast = np.flatnonzero((run.score_ms >= level) & np.isfinite(run.passing.speed[0]))
                edge = np.searchsorted(edges, run.passing.speed[0][fast] - RUN_ERROR_MS, side="right") - 1
                least = case.distance_m[which[fast], np.maximum(edge, 0)]
                assert (least <= share * length + 1e-3).all(), share
                close.append(np.median(least / (share * length)))
    assert max(close) > 0.97, "it comes near"


@pytest.mark.parametrize("seed", SEEDS)
def test_no_completion_is_ever_as_fast_as_its_drive_set_could_not_keep(seed: int) -> None:
    """Cars of drive sets that could not keep a speed in any run, up to the last board of a course without an end."""
    ranker, rng = ranker_of(seed), np.random.default_rng(520 + seed)
    sets = sets_of(ranker, rng, 60)
    rows, builds = some_completions(sets, rng, 4)
    highest = np.array([
        simulate(ranker.judge.model.inputs(builds, conditions), (1e5, 1e6), "exit").highest_ms[0]
        for conditions in ranker.judge.conditions
    ])  # fmt: skip
    out = 0
    for level in (*np.quantile(highest, [0.1, 0.5, 0.9, 1.0]), highest.max() + 3.0):
        for apart in (0.0, 0.7):
            speeds = [level + apart, *[level - apart] * (len(highest) - 1)]
            able = ranker.bounding.keeping.could(sets.builds, [speeds])
            assert (highest[:, ~able[rows]] < np.array(speeds)[:, None]).all(), (level, apart)
            out += int((~able).sum())
    assert out > 0


@pytest.mark.parametrize("seed", SEEDS)
def test_best_cases_that_only_matter_above_a_floor(seed: int) -> None:
    """Those that could keep it are what they are without it; for others it is the floor, which nothing reaches."""
    ranker, rng = ranker_of(seed), np.random.default_rng(540 + seed)
    sets = sets_of(ranker, rng, 80)
    rows, builds = some_completions(sets, rng, 4)
    speed, known = ranker.judge.speeds(builds), ranker.bounding.optimistic(sets)
    spared = 0
    for level in (*np.quantile(known, [0.3, 0.6, 0.9]), known.max() + 1.0):
        floor = ranker._floor(float(level))
        assert floor.score_ms == level - BOUND_SLACK_MS
        bound = ranker.bounding.optimistic(sets, floor)
        same = bound == known
        assert (bound[~same] == floor.score_ms).all()
        assert (known[~same] <= level).all(), "what a run says is never above what could not be kept, but for its slack"
        assert (speed[~same[rows]] < floor.score_ms).all()
        spared += int((~same).sum())
    assert spared > 0


@pytest.mark.parametrize("seed", SEEDS)
def test_every_completion_that_is_fast_enough_is_kept(seed: int) -> None:
    """Through all rounds of cuts and splitting, at a level that a few in a hundred legal completions reach."""
    ranker, rng = ranker_of(seed), np.random.default_rng(100 + seed)
    sets = sets_of(ranker, rng, 60)
    sets = sets.marked(np.arange(len(sets)))
    rows, builds = some_completions(sets, rng, 60)
    legal = ranker.legality.allowed(builds)
    rows, builds = rows[legal], builds[legal]
    runs = ranker.judge.runs(builds)
    legal = ranker.judge.judge(builds, runs).legal
    rows, builds, speed = rows[legal], builds[legal], ranker.judge.joined(runs)[legal]
    assert len(builds) > 100
    for share in (0.8, 0.97):
        level = float(np.quantile(speed, share))
        goal = Goal(level, np.inf, ties=True, dip=ranker.judge.most_dip_ms(level))
        kept = left_of(ranker, sets, goal)
        for place in np.flatnonzero(speed >= level):
            assert builds[place].tobytes() in kept, (share, place, speed[place] - level)


@pytest.mark.parametrize("seed", [1, 3, 6])
def test_a_storm_breaks_no_bound(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a tailwind that is faster than the car for part of its way, where drag pushes."""
    calm = random_catalog(seed)
    behind = calm.event.course.bearing_deg + 180.0
    weather = tuple(replace(each, wind_ms=14.0, wind_from_deg=behind) for each in calm.event.weather)
    storm = replace(calm, event=replace(calm.event, weather=weather))
    monkeypatch.setattr("tests.search.test_bounds_hold.random_catalog", lambda _seed: storm)
    assert min(each.headwind_ms for each in ranker_of(seed).judge.conditions) < -13.0

    test_every_completion_that_is_fast_enough_is_kept(seed)
    test_a_completion_that_scores_goes_one_of_the_ways(seed, False)
    test_ranges_of_speed_lose_no_completion(seed)


@pytest.mark.parametrize("seed", SEEDS)
def test_screening_keeps_every_drive_set_that_is_fast_enough(seed: int) -> None:
    """On coarse cells, without any cut."""
    ranker, rng = ranker_of(seed), np.random.default_rng(200 + seed)
    sets = sets_of(ranker, rng, 60).marked(np.arange(60))
    rows, builds = some_completions(sets, rng, 12)
    speed = ranker.judge.speeds(builds)
    level = float(np.quantile(speed, 0.9))
    left = set(screened(ranker, sets, level).mark.tolist())
    assert set(rows[speed >= level].tolist()) <= left
    assert len(screened(ranker, sets, float(speed.max()) + 8.0)) == 0, "it does rule out"


@pytest.mark.parametrize("ranged", [False, True])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_completion_that_scores_goes_one_of_the_ways(seed: int, ranged: bool) -> None:
    """It meets that way's demands, however they are aimed, and its speeds lie where the way says.

    ``ranged``: of each drive set those that are held to a range of speeds in each run.
    """
    ranker, rng = ranker_of(seed), np.random.default_rng(400 + seed)
    sets, tightener = sets_of(ranker, rng, 30), tightener_of(ranker)
    rows, builds = some_completions(sets, rng, 20)
    speed, highest = speeds_of(ranker, builds)
    level = float(np.quantile(speed, 0.9))
    batch, envelopes = tightener.envelopes(sets, level - RUN_ERROR_MS)
    cases, between = [best_case(each) for each in envelopes], None
    counts = speed >= level
    if ranged:
        between = ranges_about(highest[counts], len(sets), rng)
        counts &= ((highest >= between[0][rows]) & (highest <= between[1][rows])).all(axis=1)
        assert counts.any()
    ways = tightener.scores.ways(envelopes, cases, level - RUN_ERROR_MS, between)
    aims = [ways.demands, [each.aimed(batch.span.most[ways.rows]) for each in ways.demands]]
    for place in np.flatnonzero(counts):
        every = np.flatnonzero(ways.rows == rows[place])
        point = points_of(batch, rows[place : place + 1], builds[place : place + 1])
        points = np.repeat(point, len(ways.rows), axis=0)
        within = (highest[place] >= ways.low_ms[every] - RUN_ERROR_MS).all(axis=1)
        within &= (highest[place] <= ways.high_ms[every] + RUN_ERROR_MS).all(axis=1)
        for demands in aims:
            for each in demands:
                needed = each.mass.at(points) * sum(part.sum(part.push(points)) for part in each.parts)
                within &= (needed <= each.room * (1 + 1e-12))[every]
        assert within.any(), (place, speed[place] - level)


def speeds_of(ranker: Ranker, builds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Scores (n,), and the highest speed (n, 2) in each run up to the board that the score hangs on."""
    runs = ranker.judge.runs(builds)
    first = ranker.judge.event.scoring.measure == "trap"  # no shift makes it slower there by more than is allowed for
    highest = np.zeros((len(builds), 2))
    for number, run in enumerate(runs):
        highest[:, number] = run.passing.speed[0] if first else run.highest_ms[0]
    return ranker.judge.joined(runs), highest


def ranges_about(highest: np.ndarray, count: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Ranges (count, 2) of speed about some of the highest speeds (n, 2)."""
    middle = highest[rng.integers(len(highest), size=count)]
    return middle - rng.uniform(0.0, 1.0, (count, 2)), middle + rng.uniform(0.0, 1.0, (count, 2))


@pytest.mark.parametrize("seed", SEEDS)
def test_ranges_of_speed_lose_no_completion(seed: int) -> None:
    """Drive sets split by speed, round after round: what is fast enough stays in the boxes that its speeds lie in.

    And it passes the last board as fast as these say.
    """
    ranker, rng = ranker_of(seed), np.random.default_rng(500 + seed)
    sets, tightener = sets_of(ranker, rng, 20), tightener_of(ranker)
    sets = sets.marked(np.arange(len(sets)))
    rows, builds = some_completions(sets, rng, 60)
    runs = ranker.judge.runs(builds)
    legal = ranker.legality.allowed(builds) & ranker.judge.judge(builds, runs).legal
    rows, builds = rows[legal], builds[legal]
    speed, highest = speeds_of(ranker, builds)
    at_board = np.maximum.reduce([run.passing.speed[1][legal] for run in runs])
    level = float(np.quantile(speed, 0.9))
    goal, before = Goal(level, np.inf, ties=True, dip=ranker.judge.most_dip_ms(level)), len(sets)
    for number in range(4):
        if number:
            sets = tightener.by_speed(sets)
        sets = tightener._round(sets, goal, 2).batch.sets
    for place in np.flatnonzero(speed >= level):
        mine = sets.mark == rows[place]
        for s, ok in zip(sets.free, sets.allowed, strict=True):
            mine &= ok[:, builds[place, s]]
        for error, some in ((RUN_ERROR_MS, np.any), (-RUN_ERROR_MS, np.all)):
            inside = mine & (sets.each_ms - error <= highest[place]).all(axis=1)
            inside &= (highest[place] <= sets.below_ms + error).all(axis=1)
            holds = sets.board_ms[inside] <= at_board[place] + RUN_ERROR_MS
            assert some(holds), (place, speed[place] - level)
    assert len(sets) > before or not tightener.scores.ranged(len(runs)), "it does split"


@pytest.mark.parametrize("seed", SEEDS)
def test_shifts_are_made_where_the_envelope_says(seed: int) -> None:
    """At full throttle, at the wheel speed at which the gear is left."""
    ranker, rng = ranker_of(seed), np.random.default_rng(700 + seed)
    batch = ranker.bounding.open(sets_of(ranker, rng, 20))
    rows, builds = some_completions(batch.sets, rng, 10)
    met = 0
    for conditions in ranker.judge.conditions:
        envelope = Envelope(ranker.space, batch.frame, batch.span, conditions, *edges_about(45.0, 0.0))
        inputs = ranker.judge.model.inputs(builds, conditions)
        for number, shift in enumerate(envelope.shifts):
            gear = Gear(inputs, number)
            push = gear.push(gear.shift_surface[None])
            held = gear.shift_surface > np.minimum(gear.limit_surface, inputs.surface_cap_ms)
            makes = gear.exists & (inputs.overall[number + 1] > 0) & (push.acceleration[0] > 0) & ~held
            speed = push.speed[0][makes]
            low, high = shift.earliest_ms[rows][makes], shift.latest_ms[rows][makes]
            assert ((low <= speed + 1e-9) & (speed <= high + 1e-9)).all(), number
            which = rows[makes]
            assert not envelope.no_shift_between(which, speed - 1e-6, speed + 1e-6).any()
            assert envelope.no_shift_between(rows, np.full(len(rows), 200.0), np.full(len(rows), 300.0)).all()
            met += makes.sum()
    assert met > 100


@pytest.mark.parametrize("seed", range(9))
def test_best_and_worst_cars_are_slowed_in_pauses_as_none_is(seed: int) -> None:
    """The best as little as the heaviest, the worst as much as the lightest: a light car might lose its next gear."""
    ranker, rng = ranker_of(seed), np.random.default_rng(600 + seed)
    sets = sets_of(ranker, rng, 30)
    rows, builds = some_completions(sets, rng, 20)
    batch = ranker.bounding.open(sets)
    for conditions in (*ranker.judge.conditions, ranker.judge.fast):
        cars = ranker.judge.model.inputs(builds, conditions)
        fast, slow = ranker.bounding._fast(batch, conditions), ranker.bounding._slow(batch, conditions)
        own = cars.translating_kg + cars.wheel_side_kg
        assert (own <= fast.coasting_kg[rows] + 1e-9).all()
        assert (own >= slow.coasting_kg[rows] - 1e-9).all()
        speed = np.full(len(builds), 30.0)
        after, _ = Gear(cars, 0).coast(speed, 1.5)
        assert (after <= Gear(fast.take(rows), 0).coast(speed, 1.5)[0] + 1e-9).all()
        assert (after >= Gear(slow.take(rows), 0).coast(speed, 1.5)[0] - 1e-9).all()


@pytest.mark.parametrize("seed", range(3))
def test_more_turning_mass_than_a_car_has_leaves_its_share_of_inertia(seed: int) -> None:
    """An extra on the flywheel that turns as much as three cars weigh; no build is faster than its set's bound."""
    scenario = random_catalog(seed)
    parts = {
        part.id: replace(part, inertia_kgm2=8.0, turns_with="engine") if isinstance(part, Extra) and n % 3 else part
        for n, part in enumerate(scenario.parts.values())
    }
    ranker, rng = catalogs.ranker_of(replace(scenario, parts=MappingProxyType(parts))), np.random.default_rng(seed)
    sets = sets_of(ranker, rng, 30)
    rows, builds = some_completions(sets, rng, 20)
    speed = ranker.judge.speeds(builds)
    level = float(np.quantile(speed, 0.9))
    _, envelopes = tightener_of(ranker).envelopes(sets, level)
    assert all((each.grip_share > 0).all() and (each.share > 0).all() for each in envelopes)
    left = screened(ranker, sets.marked(np.arange(len(sets))), level).mark
    assert np.isin(rows[speed >= level], left).all()


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(18))
def test_no_car_of_the_span_is_found_that_breaks_every_cut_and_is_fast_enough(seed: int) -> None:
    """An optimizer looks for one: coordinates anywhere in the span, whether parts for it exist or not.

    Every demand of every way is cut on the level and at a random point of the span.
    """
    ranker, rng = ranker_of(seed), np.random.default_rng(300 + seed)
    sets = sets_of(ranker, rng, 4)
    tightener = tightener_of(ranker)
    middle = ranker.judge.speeds(some_completions(sets, rng, 20)[1])
    level = float(np.quantile(middle, 0.8))
    batch, envelopes = tightener.envelopes(sets, level - RUN_ERROR_MS)
    cases = [best_case(each) for each in envelopes]
    every = tightener.scores.ways(envelopes, cases, level - RUN_ERROR_MS)
    least, most = batch.span.least[every.rows], batch.span.most[every.rows]
    anywhere = least + rng.random(least.shape) * (most - least)
    places = [(demand, points) for demand in every.demands for points in (demand.on_line(least, most), anywhere)]
    cuts = [each.cut(points) for demand, points in places for each in (demand, demand.aimed(points))]
    for place in range(len(sets)):
        ways = np.flatnonzero(every.rows == place)
        least, most = batch.span.least[place], batch.span.most[place]
        moves = np.flatnonzero(most - least > 1e-12)
        one = batch.take(np.array([place]))

        def miss(share: np.ndarray, ways=ways, least=least, most=most, moves=moves, one=one) -> np.ndarray:
            """The smaller of speed above the level and how far every way's cuts are broken, with its sign turned."""
            points = np.repeat(least[None], share.shape[1], axis=0)
            points[:, moves] += share.T * (most - least)[moves]
            many = one.take(np.zeros(len(points), dtype=np.int64))
            inputs = [ranker.space.inputs(many.frame, points, each) for each in ranker.judge.conditions]
            runs = ranker.judge.runs_of(inputs)
            above = ranker.judge.joined(runs) - level
            best = np.full(len(points), -1.0)
            for way in ways:
                worst = np.full(len(points), np.inf)
                for const, slope, holds in cuts:
                    if holds[way]:
                        worst = np.minimum(worst, const[way] + points @ slope[way])
                best = np.maximum(best, worst)
            return -np.minimum(above, -best - ROUNDING_MS)

        found = differential_evolution(
            miss, [(0.0, 1.0)] * len(moves), seed=seed, maxiter=12, popsize=6, polish=False, vectorized=True,
            updating="deferred",
        )  # fmt: skip
        assert found.fun >= 0, found.x


def test_a_wrong_bound_is_noticed() -> None:
    """With thrust taken 10 % too low the tests above do fail: they can."""
    ranker, rng = ranker_of(3), np.random.default_rng(103)
    sets = sets_of(ranker, rng, 60).marked(np.arange(60))
    _, builds = some_completions(sets, rng, 12)
    speed = ranker.judge.speeds(builds)
    level = float(np.quantile(speed, 0.8))
    tightener = tightener_of(ranker)
    whole = tightener.envelopes

    def weaker(*arguments: object) -> tuple[Batch, list[Envelope]]:
        batch, envelopes = whole(*arguments)
        for each in envelopes:
            each.force_ends = each.force_ends * 0.9
        return batch, envelopes

    tightener.envelopes = weaker  # type: ignore[method-assign]
    kept = left_of(ranker, sets, Goal(level, np.inf), tightener)
    fast = np.flatnonzero((speed >= level) & ranker.legality.allowed(builds))
    assert not all(builds[place].tobytes() in kept for place in fast)


def test_a_narrower_span_gives_sharper_bounds() -> None:
    """Half of the box is never bounded higher than the whole."""
    ranker, rng = ranker_of(4), np.random.default_rng(4)
    batch = ranker.bounding.open(sets_of(ranker, rng, 20))
    edges, aim = edges_about(45.0, 0.0)
    middle = 0.5 * (batch.span.least + batch.span.most)
    half = replace(batch, span=Span(middle, batch.span.most))
    conditions = ranker.judge.conditions[0]
    whole, narrow = (
        Envelope(ranker.space, each.frame, each.span, conditions, edges, aim) for each in (batch, half)
    )
    finite = np.isfinite(whole.force)
    assert (narrow.force[finite] <= whole.force[finite] + 1e-6).all()
    line, closer = whole.force_ends.sum(axis=0), narrow.force_ends.sum(axis=0)  # in the middle of each cell, twice
    both = finite & np.isfinite(narrow.force)
    assert (closer[both] < line[both] - 1e-3).any()
    assert (closer[both] <= line[both] + 1e-6).mean() > 0.999  # where gears take turns within a cell it may be coarser


def slow_ranker(seed: int) -> Ranker:
    """A catalog in which tires differ widely, so that what slows an undriven axle most is far from what slows least."""
    scenario, rng = random_catalog(seed, sizes=(2, 2, 3, 6, 4, 3, 3)), np.random.default_rng(seed + 1000)
    parts = dict(scenario.parts)
    for name, part in parts.items():
        if isinstance(part, Tire):
            coefficient = float(rng.uniform(0.005, 0.02))
            parts[name] = replace(part, rolling_coefficient=coefficient, mass_kg=float(rng.uniform(5, 20)))
    front, rear = rng.uniform(-0.3, 0.3, 2)
    lift = {"front_lift_area_m2": float(front), "rear_lift_area_m2": float(rear)}
    car = replace(scenario.car, **lift, shift_time_s=float(rng.uniform(0.2, 1.2)))
    scenario = replace(scenario, parts=MappingProxyType(parts), car=car)
    if seed % 2:
        event = replace(scenario.event, rating_rule="limiter")
        scenario = replace(scenario, event=event, car=replace(car, limiter_adjustable=True))
    _, legality, book, judge = machinery(scenario)
    return Ranker(judge, legality, book, None, None)


@pytest.mark.parametrize("seed", SEEDS)
def test_no_completion_is_slower_than_the_slowest(seed: int) -> None:
    """In the runs that count and on the fast day, wherever no cap of a bracket or a part holds the real car."""
    ranker, rng = slow_ranker(seed), np.random.default_rng(seed)
    sets = sets_of(ranker, rng, 15)
    batch = ranker.bounding.open(sets)
    slowest, on_fast_day = ranker.bounding.slowest(batch), ranker.bounding.slowest_on_fast_day(batch)
    rows, builds = some_completions(sets, rng, 20)
    free = np.isinf(ranker.judge.model.drive_rows(builds).cap_ms)
    assert free.any()
    judge = ranker.judge
    assert np.all(judge.speeds(builds)[free] >= slowest[rows][free])
    fast = judge.model.inputs(builds, judge.fast)
    highest = simulate(fast, judge.marks_m, "exit").highest_ms[0]
    assert np.all(highest[free] >= on_fast_day[rows][free])


@pytest.mark.parametrize("seed", SEEDS)
def test_a_board_in_the_pause_of_a_shift(seed: int) -> None:
    """The highest speed of one of the runs is at least the score; at its last board a run lost no more than the dip."""
    ranker, rng = slow_ranker(seed), np.random.default_rng(seed)
    rows, builds = some_completions(sets_of(ranker, rng, 40), rng, 10)
    del rows
    judge = ranker.judge
    runs = judge.runs(builds)
    score = judge.joined(runs)
    assert np.all(np.maximum.reduce([run.highest_ms[0] for run in runs]) >= score - 1e-6)
    moving = score > 0
    last = np.maximum.reduce([run.passing.speed[1] for run in runs])[moving]
    dips = np.array([judge.most_dip_ms(float(speed)) for speed in score[moving]])
    assert np.all(last >= score[moving] - dips)
    assert all(np.all(run.highest_ms[1] >= run.highest_ms[0]) for run in runs), "driven tires are never slower"
