"""Too close to call: cases a person can reason out, and the draws against sums of squares."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri

from optimizer.answers import closeness as closeness_module
from optimizer.answers.closeness import Band, band_of, closeness, each_against_the_next, spread_of, too_close_to
from optimizer.answers.draws import scores_of
from optimizer.answers.uncertainties import PARTS, Uncertainty
from optimizer.answers.unknowns import only_needed, speeds_with, unknowns_of, unknowns_of_part, with_values
from optimizer.run.inputs import models_side_by_side
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel
from optimizer.scenario.event import Scoring, Weather
from optimizer.scenario.parts import Basis, CurvePoints
from optimizer.search.study import Study
from tests.choice.records import (
    CURVE,
    extra_slot,
    make_engine,
    make_extra,
    make_final_drive,
    make_rotor,
    make_scenario,
    make_tire,
    random_builds,
)
from tests.scenes import MPH

NO_DRAG = {"brake_drag_n": 0.0}
SALT = "ordinary"


def study_of(*parts, **more):
    return Study.of(make_scenario(parts, **more))


def rows_of(study, *builds):
    return np.stack([study.options.encode(build) for build in builds])


def one_band(study, build):
    """The car as it stands against it with some changes."""
    rows = rows_of(study, {}, build)
    return closeness(study, rows[0], rows[1:])[0]


@pytest.fixture(scope="module")
def mixed():
    """A study of which builds differ in all sorts of parts."""
    return study_of(
        make_tire("T-b", rolling_coefficient=0.0105, growth=0.004),
        make_tire("T-c", rolling_coefficient=0.012, bases={"rolling_coefficient": Basis("assumed", "like others")}),
        make_rotor("R-b", axle="front", inertia_kgm2=0.03, mass_kg=4.0, brake_drag_n=4.0),
        make_engine("E-b", inertia_kgm2=0.10),
        make_extra("pan", drag_area_m2=-0.02, mass_kg=9.0, bases={"drag_area_m2": Basis("assumed")}),
        extra_slots=[extra_slot("underside")],
    )


# --- verdicts that can be reasoned out


def test_rotors_that_differ_by_little_are_told_apart():
    """All that is not known of car, salt and day is the same for both; what rotors weigh is known to 2 %.

    The final drive is long enough to keep the car off its limiter, which would make both the same.
    """
    study = study_of(
        make_final_drive("F-stock", ratio=3.7),
        make_rotor("R-rear-stock", axle="rear", mass_kg=3.6, **NO_DRAG),
        make_rotor("R-light", axle="rear", mass_kg=2.6, inertia_kgm2=0.025, **NO_DRAG),
    )
    band = one_band(study, {"rear rotors": "R-light"})

    assert -0.07 < band.difference_ms / MPH < -0.03
    assert band.half_width_ms < abs(band.difference_ms) / 2
    assert (band.chance, band.sure) == (0.0, 1.0)
    assert not band.too_close


def test_tires_that_differ_by_ten_times_as_much_are_not():
    """Two rated rolling coefficients a few percent apart, each known to 10 %."""
    study = study_of(make_tire("T-b", rolling_coefficient=0.0105))
    band = one_band(study, {"front tires": "T-b", "rear tires": "T-b"})

    assert -0.7 < band.difference_ms / MPH < -0.2
    assert band.half_width_ms > 2 * abs(band.difference_ms)
    assert band.low_ms < 0 < band.high_ms
    assert 0.1 < band.chance < 0.9
    assert band.too_close


def test_measured_tires_are_told_apart_where_assumed_ones_are_not():
    """The same two coefficients, measured (5 %) or assumed (20 %): only the basis differs."""
    bands = []
    for kind in ("measured", "assumed"):
        bases = {each: Basis(kind) for each in ("rolling_coefficient", "circumference_m", "growth", "grip_factor")}
        study = study_of(
            make_tire("T-stock", circumference_m=1.8, bases=bases),
            make_tire("T-b", circumference_m=1.8, rolling_coefficient=0.0090, bases=bases),
        )
        bands.append(one_band(study, {"front tires": "T-b", "rear tires": "T-b"}))

    assert bands[0].difference_ms == bands[1].difference_ms
    assert not bands[0].too_close
    assert bands[1].too_close
    assert bands[1].deviation_ms > 2 * bands[0].deviation_ms


def test_what_builds_have_in_common_cancels(mixed):
    """The same parts: no difference in any draw, however far the speed itself is from sure."""
    row = mixed.options.encode({"front tires": "T-b", "rear tires": "T-c", "engine": "E-b", "underside": "pan"})
    drawn = spread_of(mixed, np.stack([row, row]))

    assert np.all(drawn[:, 0] == drawn[:, 1])
    assert drawn[:, 0].std() > 1.0 * MPH
    band = band_of(0.0, drawn[:, 0] - drawn[:, 1])
    assert (band.deviation_ms, band.half_width_ms, band.chance, band.sure) == (0.0, 0.0, 0.5, 0.5)
    assert band.too_close


def test_equal_records_of_two_parts_are_off_each_in_its_own_way():
    """Two tires assumed alike are not the same tire."""
    study = study_of(make_tire("T-twin"))
    band = one_band(study, {"front tires": "T-twin", "rear tires": "T-twin"})

    assert band.difference_ms == 0.0
    assert band.deviation_ms > 0.3 * MPH
    assert band.too_close


def test_a_tune_shares_its_engine():
    """What the dyno was off by holds for engine and tune; only the gain of the tune is in doubt.

    A gain of 4 % known to 30 % is 1.2 % of the torque: less than a quarter of two curves known to 4 % each, 5.7 %.
    """
    tuned = CurvePoints(CURVE.rpm, tuple(1.04 * torque for torque in CURVE.torque_nm))
    tune = make_engine("E-tune", curve=tuned, base="E-stock", torque_factor=1.04)
    study = study_of(tune, make_engine("E-other", curve=tuned))
    of_tune, of_other = (one_band(study, {"engine": each}) for each in ("E-tune", "E-other"))

    assert of_tune.difference_ms == of_other.difference_ms < 0
    assert not of_tune.too_close
    assert of_other.too_close
    assert 0.15 < of_tune.deviation_ms / of_other.deviation_ms < 0.3


# --- draws


def test_draws_depend_neither_on_other_builds_nor_on_the_catalog(mixed):
    """The same speeds, to the last bit, whoever else is asked about."""
    rows = random_builds(mixed.options, 4, 6)
    alone = spread_of(mixed, rows[:2], 16)
    together = spread_of(mixed, rows, 16)

    assert np.array_equal(alone, together[:, :2])
    more = Study.of(make_scenario([*mixed.scenario.parts.values(), make_tire("T-new")], extra_slots=[
        extra_slot("underside")]))  # fmt: skip
    again = np.stack([more.options.encode(mixed.options.decode(row)) for row in rows[:2]])
    assert np.array_equal(alone, spread_of(more, again, 16))


def test_same_input_same_numbers(mixed):
    rows = random_builds(mixed.options, 5, 3)

    assert closeness(mixed, rows[0], rows[1:], draws=16) == closeness(mixed, rows[0], rows[1:], draws=16)
    assert not np.array_equal(spread_of(mixed, rows, 16, seed=1), spread_of(mixed, rows, 16, seed=2))


def test_scores_are_standard_normal_and_go_their_own_ways():
    """One from every stratum; mean 0 and mean square 1 exactly; two unknowns uncorrelated but for chance."""
    columns = [scores_of(f"part:{n}:mass_kg", 64, 20) for n in range(40)]

    assert all(abs(column.mean()) < 1e-12 and abs((column**2).mean() - 1) < 1e-12 for column in columns)
    assert all(np.allclose(np.sort(column), np.sort(columns[0]), atol=1e-12) for column in columns)
    pairs = np.corrcoef(columns)[np.triu_indices(40, 1)]
    assert math.sqrt((pairs**2).mean()) == pytest.approx(1 / 8, rel=0.15)


@pytest.mark.parametrize("draws", [2, 3, 64, 512, 4096])
def test_scores_stand_in_the_middles_of_equally_likely_strata(draws):
    """By another library's inverse of the normal distribution."""
    middles = ndtri((np.arange(draws) + 0.5) / draws)

    assert np.sort(scores_of("part:T:mass_kg", draws, 20)) == pytest.approx(
        middles / np.sqrt(np.mean(middles**2)), rel=1e-13, abs=1e-15
    )


def test_a_spread_takes_two_draws(mixed):
    with pytest.raises(ValueError, match="two draws"):
        spread_of(mixed, mixed.options.fitted[None], 1)


def test_deviation_agrees_with_the_root_of_summed_squares(mixed):
    """Where effects are small and nearly straight, draws give what single steps of one deviation add up to."""
    rows = rows_of(mixed, {}, {"front tires": "T-b", "front rotors": "R-b", "engine": "E-b", "underside": "pan"})
    options, needed = only_needed(mixed.options, rows)
    unknowns = unknowns_of(options, SALT)
    steps = [{each: each.moved(way)} for each in unknowns for way in (1.0, -1.0)]
    speeds = speeds_with(options, SALT, needed, steps)
    apart = (speeds[:, 0] - speeds[:, 1]).reshape(-1, 2)
    summed = math.sqrt((((apart[:, 0] - apart[:, 1]) / 2) ** 2).sum())
    drawn = spread_of(mixed, rows)

    assert len(unknowns) > 40
    assert np.std(drawn[:, 0] - drawn[:, 1], ddof=1) == pytest.approx(summed, rel=0.15)


# --- all draws as one batch


def test_one_batch_is_what_single_cars_do():
    """Every setting simulated on its own gives the same speeds, wind from the side and two runs included."""
    study = study_of(
        make_engine("E-b", measured_at="wheels", dyno_ratio=4.2),
        drive="rear",
        event={
            "scoring": Scoring(runs=2, second_run="opposite", mean_of="times"),
            "weather": (Weather(pressure_pa=87_000.0, temperature_k=298.15, humidity=0.25),),
        },
    )
    rows = rows_of(study, {}, {"engine": "E-b"})
    every = unknowns_of(study.options, SALT)
    settings = [{}, *({each: each.moved(score) for each in every} for score in (-1.3, 0.4, 1.7))]
    together = speeds_with(study.options, SALT, rows, settings)

    for setting, speeds in zip(settings, together, strict=True):
        judge = Judge(RunModel(with_values(study.options, setting)), SALT)
        assert np.array_equal(judge.speeds(rows), speeds)
    assert np.ptp(together[:, 0]) > MPH


def test_runs_that_start_differently_do_not_go_side_by_side(mixed):
    model = mixed.judge.model
    inputs = model.inputs(mixed.options.fitted[None], mixed.judge.conditions[0])
    with pytest.raises(ValueError, match="same start"):
        models_side_by_side([inputs, replace(inputs, start_speed_ms=10.0)])


# --- unknowns


def test_a_part_is_the_same_in_every_slot(mixed):
    """Setting its rolling coefficient sets it on both axles, and leaves other tires as they are."""
    tire = mixed.scenario.parts["T-stock"]
    unknown = next(each for each in unknowns_of_part(mixed.options, tire) if each.field == "rolling_coefficient")
    changed = with_values(mixed.options, {unknown: 0.02})

    for s, slot in enumerate(mixed.options.slots):
        for old, new in zip(mixed.options.parts[s], changed.parts[s], strict=True):
            assert new == (replace(old, rolling_coefficient=0.02) if old.id == "T-stock" else old), slot.name


def test_every_unknown_can_be_set_and_is_there_once(mixed):
    """Set to its stated value each leaves all records alone; set to another, some record differs."""
    every = unknowns_of(mixed.options, SALT)

    assert len({each.key for each in every}) == len(every)
    assert with_values(mixed.options, {each: each.value for each in every if each.field != "circumference_m"}) == (
        mixed.options
    )
    for each in every:
        assert each.deviation > 0
        assert with_values(mixed.options, {each: each.moved(1.0)}) != mixed.options, each.key


def test_uncertainties_in_the_unit_of_the_value():
    share, effect = Uncertainty(0.05, 0.1, 0.2), Uncertainty(0.2, 0.3, 0.4, scale="effect")
    amount = Uncertainty(1.0, 2.0, 3.0, scale="amount", least=0.0, most=10.0)

    assert share.of("rated", -4.0) == pytest.approx(0.4)
    assert share.ends(-4.0) == pytest.approx((-12.0, -1.2))
    assert effect.of("measured", 1.05) == pytest.approx(0.01)
    assert effect.of("assumed", 1.0) == 0.0
    assert effect.ends(1.05) == pytest.approx((1.015, 1.15))
    assert amount.of("assumed", 123.0) == 3.0
    assert amount.ends(4.0) == (0.0, 10.0)
    assert all(each.measured <= each.rated <= each.assumed for kind in PARTS.values() for each in kind.values())
    assert all(each.source for kind in PARTS.values() for each in kind.values())


def test_values_stop_where_sense_ends(mixed):
    """Fifty deviations up or down no efficiency passes 1, no coefficient reaches zero."""
    by_key = {each.key: each for each in unknowns_of(mixed.options, SALT)}

    assert by_key["car::driveline_efficiency"].moved(50.0) == 1.0
    assert by_key["part:T-stock:rolling_coefficient"].moved(-50.0) == pytest.approx(0.3 * 0.011)
    assert by_key["part:pan:drag_area_m2"].moved(50.0) == pytest.approx(-0.3 * 0.02)


# --- bands


def test_a_band_by_hand():
    """Draws of 1 to 100 mm/s less 5.5: five below zero, none within rounding of it."""
    drawn = (np.arange(1, 101) - 5.5) / 10
    band = band_of(2.0, drawn)

    assert band.chance == pytest.approx(0.95)
    assert band.deviation_ms == pytest.approx(np.std(np.arange(100), ddof=1) / 10)
    assert (band.low_ms, band.high_ms) == pytest.approx((0.0, 9.0))
    assert band.half_width_ms == pytest.approx(4.5)


@pytest.mark.slow
def test_each_build_against_the_one_before_it(mixed):
    """All of them drawn at once say the same as two at a time, to the last bit."""
    rng = np.random.default_rng(5)
    builds = np.stack([rng.integers(0, size, 5) for size in mixed.options.sizes], axis=1)
    two_by_two = [closeness(mixed, builds[n], builds[n - 1][None])[0] for n in range(1, len(builds))]

    assert each_against_the_next(mixed, builds) == tuple(two_by_two)


@pytest.mark.parametrize(
    ("difference", "low", "high", "chance", "close"),
    [
        (1.0, 0.2, 1.8, 0.97, False),
        (-1.0, -1.8, -0.2, 0.03, False),
        (1.0, -0.1, 1.8, 0.93, True),
        (1.0, 0.1, 1.8, 0.85, True),
        (1.0, -1.8, -0.2, 0.03, True),
        (0.0, 0.2, 1.8, 0.97, True),
    ],
)
def test_too_close_is_where_the_stated_sign_is_not_sure(difference, low, high, chance, close):
    """Sure, both ways; zero inside; too few draws; draws that contradict the stated order; no stated order."""
    assert Band(difference, 0.5, low, high, chance).too_close == close


@pytest.mark.parametrize(("equal", "close"), [(0, False), (6, False), (7, True)])
def test_worlds_in_which_both_are_held_by_a_cap_count_half(equal, close):
    """Never slower and mostly faster is told apart; equal in 6 of 64 worlds leaves 95.3 %, in 7 of 64 94.5 %."""
    drawn = np.full(64, 1.5)
    drawn[:equal] = 0.0
    band = band_of(1.5, drawn)
    assert band.sure == pytest.approx(1 - equal / 128)
    assert band.too_close is close


@pytest.mark.parametrize(("seed", "draws"), [(1, 64), (2, 64), (3, 37)])
def test_answers_without_all_draws_are_those_of_bands(mixed, seed, draws, monkeypatch):
    """Against the fastest, the slowest and one between; the same builds drawn again and again are among them."""
    builds = np.unique(random_builds(mixed.options, seed, 60), axis=0)
    builds = builds[np.argsort(-mixed.judge.speeds(builds), kind="stable")]
    run, all_told_apart = [], 0
    drawn = closeness_module.speeds_with

    def counted(options, salt, rows, settings):
        run.append(len(rows) * len(settings))
        return drawn(options, salt, rows, settings)

    monkeypatch.setattr(closeness_module, "speeds_with", counted)
    for best in (0, len(builds) // 2, len(builds) - 1):
        others = np.concatenate([builds, builds[:3]])
        bands = closeness(mixed, builds[best], others, draws=draws)
        expected = np.array([band.too_close for band in bands])
        run.clear()
        assert (too_close_to(mixed, builds[best], others, draws=draws) == expected).all()
        # who is told apart is run in all draws; of the others some are known to be close before
        told_apart = int((~expected).sum())
        assert told_apart * draws <= sum(run) < (1 + told_apart + 0.75 * expected.sum()) * draws
        all_told_apart += told_apart
    assert 0 < all_told_apart < 3 * len(others)


def test_builds_of_one_speed_are_not_drawn_at_all(mixed, monkeypatch):
    """No stated order: too close, whatever the draws would say."""
    monkeypatch.setattr(closeness_module, "speeds_with", None)
    row = mixed.options.encode({"front tires": "T-b"})
    assert too_close_to(mixed, row, np.stack([row, row])).tolist() == [True, True]
