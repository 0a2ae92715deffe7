"""A calibration stands in place of what the files state, only where it fits them, and without touching them."""

import dataclasses
import json
import shutil
from pathlib import Path

import pytest

from optimizer.errors import ScenarioError
from optimizer.recheck.evidence import hash_of
from optimizer.scenario.calibration_file import FILE, calibration_text, hash_of_car
from optimizer.scenario.estimates import Calibration, Estimate
from optimizer.scenario.reading import OTHER_CAR, read_scenario

DEMO = Path(__file__).parents[2] / "catalogs_demo" / "thrennel_flat"


@pytest.fixture
def folder(tmp_path):
    return Path(shutil.copytree(DEMO, tmp_path / "car"))


def some_estimates(scenario):
    salt = scenario.event.salts[scenario.event.salt]
    peak = max(scenario.parts["E01"].curve.torque_nm)
    return Calibration(
        (
            Estimate("car", "", "drag_area_m2", scenario.car.drag_area_m2 * 1.1, 0.01, scenario.car.drag_area_m2),
            Estimate(
                "salt", scenario.event.salt, "rolling_coefficient", 0.031, 0.002, salt.rolling_coefficient, "assumed"
            ),
            Estimate("part", "E01", "curve", peak * 0.9, 2.0, peak),
            Estimate("front", "", "tire_pressure_pa", 250e3, 5e3, scenario.car.front.tire_pressure_pa),
        ),
        ((1.0, -0.8, 0.5, 0.0), (-0.8, 1.0, 0.0, 0.0), (0.5, 0.0, 1.0, 0.0), (0.0, 0.0, 0.0, 1.0)),
        ("coast.csv",),
    )


def test_estimates_stand_in_place_of_what_is_stated(folder):
    """Each where it belongs, with how it is known; an engine made from another is off by the same share."""
    stated = read_scenario(folder)
    calibration = some_estimates(stated)
    (folder / FILE).write_text(calibration_text(calibration))
    found = read_scenario(folder)
    assert found.calibration == calibration
    assert found.car.drag_area_m2 == pytest.approx(1.1 * stated.car.drag_area_m2)
    assert found.car.bases["drag_area_m2"].kind == "measured"
    assert found.event.salts[found.event.salt].rolling_coefficient == 0.031
    assert found.event.salts[found.event.salt].bases["rolling_coefficient"].kind == "assumed"
    assert found.car.front.tire_pressure_pa == 250e3
    for engine, share in (("E01", 0.9), ("E02", 0.9), ("E03", 1.0)):
        before, after = (max(each.parts[engine].curve.torque_nm) for each in (stated, found))
        assert after == pytest.approx(share * before)
    assert found.parts["E02"].base == "E01"


def test_the_files_can_be_read_as_stated(folder):
    """A new calibration starts from what the crew wrote, not from the last one."""
    stated = read_scenario(folder)
    (folder / FILE).write_text(calibration_text(some_estimates(stated)))
    assert read_scenario(folder, as_stated=True) == stated


def test_evidence_is_for_the_values_that_were_used(folder):
    """A calibration is input like a sheet: evidence made without it does not hold with it."""
    before = hash_of(folder)
    (folder / FILE).write_text(calibration_text(some_estimates(read_scenario(folder))))
    assert hash_of(folder) != before


def test_a_calibration_made_against_other_values_is_refused(folder):
    """Who changes the drag area in car.toml is told to calibrate again; nothing is half used."""
    calibration = some_estimates(read_scenario(folder))
    wrong = dataclasses.replace(calibration.estimates[0], stated=calibration.estimates[0].stated * 1.01)
    changed = dataclasses.replace(calibration, estimates=(wrong, *calibration.estimates[1:]))
    (folder / FILE).write_text(calibration_text(changed))
    with pytest.raises(ScenarioError, match="drag area of the car; run calibrate again"):
        read_scenario(folder)


def test_a_car_that_was_changed_since_is_remarked_on(folder):
    """A weight or a fitted part that is no estimate changes what the estimates were made with."""
    made = dataclasses.replace(some_estimates(read_scenario(folder)), car_sha256=hash_of_car(folder))
    (folder / FILE).write_text(calibration_text(made))
    assert OTHER_CAR not in read_scenario(folder).notices
    car = folder / "car.toml"
    car.write_text(car.read_text("utf-8").replace("\nmass = ", "\n# weighed again\nmass = "), "utf-8")
    assert OTHER_CAR in read_scenario(folder).notices
    assert OTHER_CAR not in read_scenario(folder, as_stated=True).notices


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda text: text[:-20], "is no JSON"),
        (lambda text: text.replace('"schema": 1', '"schema": 9'), "schema 9, expected 1"),
        (lambda text: text.replace('"key": "car::', '"key": "moon::'), "estimate 'moon::drag_area_m2'"),
        (lambda text: text.replace('"basis": "assumed"', '"basis": "guessed"'), "basis 'guessed'"),
        (lambda text: text.replace("-0.8,", "-0.7,", 1), "no correlation matrix"),
        (lambda text: text.replace("-0.8", "-1.8"), "negative eigenvalue"),
        (lambda text: text.replace('"deviation"', '"width"'), "'deviation'"),
        (lambda text: json.dumps([text]), "is not as calibrate writes it"),
    ],
)
def test_a_spoiled_file_is_refused(folder, spoil, said):
    """What is wrong with it is said, and what to do."""
    text = spoil(calibration_text(some_estimates(read_scenario(folder))))
    (folder / FILE).write_text(text)
    with pytest.raises(ScenarioError, match=said) as refused:
        read_scenario(folder)
    assert refused.value.faults[0].file == FILE
