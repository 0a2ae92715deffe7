"""Said against done: the model of that car on that day, the difference, and where to look."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.answers.said_done import against, log_of, runs_in_order, said_done
from optimizer.calibration.observations import mark_of
from optimizer.choice.options import options_of
from optimizer.measured.records import Measurements, TimedRun
from optimizer.pipeline import predict
from optimizer.report.calibration import said_done_text
from optimizer.report.documents import predict_document
from optimizer.report.wording import UNCHECKED, Words
from optimizer.run.judge import Judge
from optimizer.run.model import RunModel
from optimizer.scenario.calibration_file import calibrated
from optimizer.scenario.estimates import Calibration, Estimate
from tests.calibration.coverage import DRAG, POWER, ROLLING
from tests.calibration.made import CALM, random_world, timed_runs
from tests.choice.records import make_engine, make_scenario, make_tire
from tests.scenes import MPH

DAY = replace(CALM, file="runs.csv", row=2, name="1")


def said_by_the_judge(scenario, changes=None):
    """What the event's own simulation gives; its weather is that of the day, without wind."""
    options = options_of(scenario)
    return float(Judge(RunModel(options)).speeds(options.encode(changes or {})[None])[0])


def test_what_is_said_is_what_the_simulator_says_of_that_day():
    """The event's weather is that day's: the same speed as `predict`."""
    found = against(make_scenario(), TimedRun(DAY, 45.0))
    assert found.said_ms == pytest.approx(said_by_the_judge(make_scenario()), abs=1e-9)
    assert found.difference_ms == pytest.approx(45.0 - found.said_ms)


def test_the_day_and_the_parts_are_those_of_the_run():
    """A headwind of 5 m/s, other tires: slower, and with them."""
    scenario = make_scenario([make_tire("T-other", rolling_coefficient=0.020)])
    calm = against(scenario, TimedRun(DAY, 45.0))
    windy = against(scenario, TimedRun(replace(DAY, wind_ms=5.0), 45.0))
    other = against(scenario, TimedRun(replace(DAY, parts=("T-other",)), 45.0))
    assert windy.said_ms < calm.said_ms - 1.0
    assert other.said_ms == pytest.approx(
        said_by_the_judge(scenario, {"front tires": "T-other", "rear tires": "T-other"}), abs=1e-9
    )
    assert dict(other.changes) == {"front tires": "T-other", "rear tires": "T-other"}


def test_shares_explain_the_difference():
    """Two miles an hour slower: drag, rolling and power are among the suspects, and no one of them is told apart."""
    said = said_by_the_judge(make_scenario())
    found = against(make_scenario(), TimedRun(DAY, said - 2.0 * MPH))
    assert {DRAG, ROLLING, POWER} & {each.key for each in found.suspects}
    assert sum(each.share for each in found.suspects) <= 1 + 1e-6
    assert found.tied
    assert all(each.share >= other.share for each, other in zip(found.suspects, found.suspects[1:], strict=False))
    for each in found.suspects:
        # slower: more drag, more rolling, less power
        sign = {DRAG: 1, ROLLING: 1, POWER: -1}.get(each.key)
        assert sign is None or np.sign(each.moved) == sign


def test_a_number_alone_would_explain_it():
    """The drag area that is said to explain the run alone gives its speed, simulated."""
    said = said_by_the_judge(make_scenario())
    found = against(make_scenario(), TimedRun(DAY, said - 1.0 * MPH))
    alone = next(each.alone for each in found.suspects if each.key == DRAG)
    slower = said_by_the_judge(make_scenario(car={"drag_area_m2": alone}))
    assert slower == pytest.approx(said - 1.0 * MPH, abs=0.1 * MPH)


def test_what_is_known_well_is_no_suspect():
    """With a calibration that knows drag area and rolling, only others are named."""
    stated = make_scenario()
    area, rolling = stated.car.drag_area_m2, stated.event.salts["ordinary"].rolling_coefficient
    known = calibrated(
        stated,
        Calibration(
            (
                Estimate("car", "", "drag_area_m2", area, area / 1000, area),
                Estimate("salt", "ordinary", "rolling_coefficient", rolling, rolling / 1000, rolling),
            ),
            ((1.0, -0.9), (-0.9, 1.0)),
            ("runs.csv",),
            (mark_of(TimedRun(DAY, 45.0)),),
        ),
    )
    said = said_by_the_judge(known)
    found = against(known, TimedRun(DAY, said - 2.0 * MPH))
    assert not {DRAG, ROLLING} & {each.key for each in found.suspects}
    assert found.spread_ms < against(stated, TimedRun(DAY, said)).spread_ms
    assert found.used is False
    assert against(known, TimedRun(DAY, 45.0)).used
    assert against(stated, TimedRun(DAY, 45.0)).used is None


def held_by_revs():
    """A car with so much power that the limiter holds it in top gear."""
    engine = make_engine("E-stock")
    curve = replace(engine.curve, torque_nm=tuple(1.5 * each for each in engine.curve.torque_nm))
    scenario = make_scenario([replace(engine, curve=curve, rev_limit_rpm=0.75 * engine.rev_limit_rpm)])
    assert against(scenario, TimedRun(DAY, 40.0)).limit == "revs"
    return scenario


def test_on_the_limiter_only_gearing_shows():
    """A hair slower than said: roll-out, growth and slip are all that could be wrong."""
    scenario = held_by_revs()
    found = against(scenario, TimedRun(DAY, said_by_the_judge(scenario) * 0.998))
    assert {each.key.split(":")[2] for each in found.suspects} <= {
        "circumference_m", "growth", "slip_at_slide", "grip", "grip_factor", "ordinary"
    }  # fmt: skip
    text = " ".join(" ".join(said_done_text(Words(scenario), found)).split())
    assert "only gearing, roll-out and slip show there" in text


def test_far_below_the_limiter_it_was_never_reached():
    """Twelve per cent slower: not the roll-out but what the car has to give, or can put down, must be wrong."""
    scenario = held_by_revs()
    found = against(scenario, TimedRun(DAY, said_by_the_judge(scenario) * 0.88))
    shares = {each.key: each.share for each in found.suspects}
    assert found.suspects[0].key.split(":")[2] in {"curve", "drag_area_m2", "rolling_coefficient", "grip"}
    assert shares.get("part:T-stock:circumference_m", 0.0) < 0.2


def test_the_log_learns_from_run_to_run():
    """The first run stands against what is stated; what is said of later ones is surer, and nothing is known less."""
    rng = np.random.default_rng(4)
    scenario = make_scenario()
    days = [replace(DAY, row=n, name=str(n), date=f"2031-05-0{n}") for n in (1, 2, 3)]
    runs, _ = timed_runs(scenario, days, random_world(rng), rng)
    log = log_of(scenario, runs)
    assert log[0].said_ms == pytest.approx(against(scenario, runs.runs[0]).said_ms, abs=1e-6)
    spreads = [each.spread_ms for each in log]
    assert spreads[1] < 0.7 * spreads[0]
    assert spreads[2] < 1.02 * spreads[1]
    for name in log[0].left:
        assert log[-1].left[name] <= log[0].left[name] + 0.02
    assert abs(log[2].difference_ms) < 3 * log[2].spread_ms


def test_runs_stand_by_date_and_only_those_that_count():
    """The last one is what answers open with."""
    days = [replace(DAY, row=n, date=date) for n, date in ((2, "2031-06-01"), (3, "2030-06-01"), (4, "2032-06-01"))]
    runs = Measurements(runs=tuple(TimedRun(day, 45.0, counted=day.row != 4) for day in days))
    assert [run.day.row for run in runs_in_order(runs)] == [3, 2]
    assert said_done(make_scenario(), runs).row == 2
    assert said_done(make_scenario(), Measurements()) is None


def test_without_runs_answers_say_that_nothing_was_checked():
    """In the text, and in the document."""
    scenario = make_scenario()
    prediction = predict(scenario)
    assert prediction.said_done is None
    assert " ".join(" ".join(said_done_text(Words(scenario), None)).split()) == UNCHECKED
    assert predict_document(scenario, prediction, "ordinary")["checked_against_this_car"] is False


def test_a_slip_of_the_pen_is_not_held_against_the_next_run():
    """Of two runs the one that nothing explains hardly counts: the third is said as without it."""
    scenario = make_scenario()
    said = said_by_the_judge(scenario)
    days = [replace(DAY, date=f"2030-09-0{number}", row=number) for number in (1, 2, 3)]
    speeds = (0.99 * said, 0.62 * said, 0.98 * said)
    runs = [TimedRun(day, speed) for day, speed in zip(days, speeds, strict=True)]
    with_it = log_of(scenario, Measurements(runs=tuple(runs)))
    without = log_of(scenario, Measurements(runs=(runs[0], runs[2])))
    assert with_it[2].said_ms == pytest.approx(without[1].said_ms, abs=0.3)
    assert abs(with_it[1].surprise) > 4


def test_a_difference_within_what_is_unknown_is_called_so():
    """What nine runs in ten keep within is the border: 1.645 deviations."""
    said = said_by_the_judge(make_scenario())
    spread = against(make_scenario(), TimedRun(DAY, said)).spread_ms
    near, far = (against(make_scenario(), TimedRun(DAY, said - share * spread)) for share in (1.6, 1.7))
    assert near.expected
    assert not far.expected
    texts = [" ".join(" ".join(said_done_text(Words(make_scenario()), each)).split()) for each in (near, far)]
    assert "slower than said, which is within what is not known exactly" in texts[0]
    assert "slower than said: fewer than one run in ten would be so far off" in texts[1]
    same = against(make_scenario(), TimedRun(DAY, said))
    assert "It ran as said." in said_done_text(Words(make_scenario()), same)[0].replace("\n", " ")
