"""Every trade-off that the demo promises is really there: checks, prices and simulated speeds."""

import pytest

from tests.scenes import DEMO, MPH, Scene, axle_set

VAN_GEARBOX = {"gearset": "G07", "final drive": "F08"}


@pytest.fixture(scope="module")
def demo():
    return Scene(DEMO)


def test_fastest_tire_has_too_low_a_speed_symbol(demo):
    """The hard T tire beats every road tire, and its symbol is too low for the fast day; the H one passes."""
    quick = {"engine": "E02", "safety set": "SA1", **VAN_GEARBOX}
    t_rated = quick | axle_set("T09", "W07", "front", "rear")
    h_rated = quick | axle_set("T10", "W07", "front", "rear")

    assert demo.violations(t_rated) == demo.violations(h_rated) == set()
    assert demo.mph(t_rated) > demo.mph(h_rated) > demo.mph(quick)
    assert "tire speed" in demo.failed_checks(t_rated)
    assert demo.failed_checks(h_rated) == set()


def test_brakes_rule_out_the_smallest_wheels(demo):
    """No front rotor inside a 12 takes the heat; inside a 13 one does, and the fitted one is too big."""
    rotors = [part.id for part in demo.options.parts[demo.options.position("front rotors")]]

    def inside(wheel):
        pairs = {rotor: demo.violations({"front wheels": wheel, "front rotors": rotor}) for rotor in rotors}
        return {rotor for rotor, reasons in pairs.items() if "brake clearance" not in reasons}

    takes_heat = {each for each in rotors if "rotor rise" not in demo.failed_checks({"front rotors": each})}

    assert inside("W01") == {"RF04"}
    assert inside("W03") == {"RF03", "RF04", "RF05", "RF13"}
    assert "RF01" in takes_heat
    assert inside("W01") & takes_heat == set()
    assert inside("W03") & takes_heat == {"RF05"}


def test_gearbox_is_opened_once_for_two_changes(demo):
    """Gearset, final drive and flywheel together cost one job, not three."""
    apart = sum(
        demo.dollars(change) - demo.dollars({})
        for change in ({"gearset": "G02"}, {"final drive": "F10"}, {"flywheel": "Y2"})
    )
    together = demo.dollars({"gearset": "G02", "final drive": "F10", "flywheel": "Y2"}) - demo.dollars({})

    # Resale of what comes off is in both sums alike.
    assert apart - together == pytest.approx(2 * demo.scenario.car.jobs["gearbox out"].cost_cents / 100)
    assert demo.hours({"gearset": "G02", "final drive": "F10"}) == demo.hours({"gearset": "G02"})


def test_used_gearbox_is_gearset_and_final_drive_in_one(demo):
    """Its two parts are not sold on their own: either costs the whole box, both cost no more."""
    assert demo.part("G07").price_cents is None
    assert demo.part("F08").price_cents is None
    assert demo.kit("K01").contents == (("G07", 1), ("F08", 1))

    other_final = demo.dollars({"gearset": "G07"})
    both = demo.dollars(VAN_GEARBOX)

    assert both <= other_final
    # It is the cheapest way to put fifth gear to use: no new set with a final drive to match costs less.
    for gearset in ("G02", "G03", "G04", "G05"):
        assert demo.dollars({"gearset": gearset, "final drive": "F10"}) > both


def test_used_gearbox_is_what_the_car_needs(demo):
    """As it stands fourth is on the limiter and fifth too long; the van's box gains miles per hour."""
    assert demo.mph(VAN_GEARBOX) > demo.mph({}) + 1.5


def test_four_wheels_in_a_lot_are_cheaper(demo):
    """Two lots of four cost less than the same wheels one by one."""
    for kit_id, wheel in (("K02", "W14"), ("K08", "W11")):
        kit = demo.kit(kit_id)

        assert kit.contents == ((wheel, 4),)
        assert kit.price_cents < 4 * demo.part(wheel).price_cents


def test_mounted_tires_bring_their_fitting(demo):
    """The mounted 14s cost what the kit says and no fitting; the parts one by one cost more."""
    kit, tire, wheel = demo.kit("K03"), demo.part("T10"), demo.part("W11")
    loose = 4 * (tire.price_cents + tire.fitting_cents + wheel.price_cents + wheel.fitting_cents)

    assert kit.fitting_included
    assert kit.price_cents < loose
    # Four fitted wheels and four fitted tires come off and are sold.
    sold = 4 * (demo.part("T12").resale_cents + demo.part("W07").resale_cents) / 100
    changed = demo.dollars(axle_set("T10", "W11", "front", "rear"))
    assert changed == pytest.approx(demo.dollars({}) + kit.price_cents / 100 - sold)


def test_spare_set_of_15s_costs_nothing(demo):
    """The 15s in the shed are owned: they cost only the fitting of their tires, less what comes off."""
    owned = axle_set("T28", "W16", "front", "rear")
    fitting = 4 * (demo.part("T28").fitting_cents + demo.part("W16").fitting_cents) / 100
    sold = 4 * (demo.part("T12").resale_cents + demo.part("W07").resale_cents) / 100

    assert demo.violations(owned) == set()
    assert demo.dollars(owned) == pytest.approx(demo.dollars({}) + fitting - sold)


def test_class_record_lies_above_the_safety_bracket(demo):
    """Without the safety set the car is held below the record plus its margin, however fast it could be."""
    race = demo.scenario.race_class
    bracket = next(each for each in race.brackets if each.requires == "safety set 1")
    planned = race.record_ms * (1 + race.record_margin)

    assert bracket.above_ms - bracket.hold_off_ms < planned < bracket.above_ms * 1.02
    assert {"SA1", "SA2"} == {
        part.id for part in demo.scenario.parts.values() if "safety set 1" in part.tags
    }
    fast = {"engine": "E04", "springs": "S2", "nose and underside": "N4", **VAN_GEARBOX}
    held_to = (bracket.above_ms - bracket.hold_off_ms) / MPH
    assert demo.mph(fast) == pytest.approx(held_to, abs=0.1)
    assert demo.mph(fast | {"safety set": "SA1"}) > demo.mph(fast) + 1


def test_tune_beats_light_wheels(demo):
    """Forged wheels cost six times the tune and gain a fraction of what it gains."""
    wheels = {"front wheels": "W12", "rear wheels": "W12"}
    tune = {"engine": "E02"}
    base = VAN_GEARBOX

    wheels_gain, tune_gain = (demo.mph(base | change) - demo.mph(base) for change in (wheels, tune))
    wheels_cost, tune_cost = (demo.dollars(base | change) - demo.dollars(base) for change in (wheels, tune))

    assert wheels_cost > 5 * tune_cost
    assert 0 < wheels_gain < 0.25 * tune_gain


def test_budget_binds(demo):
    """The sensible build is affordable; the one with cam and everything is faster and legal, and is not."""
    sensible = {"engine": "E02", "safety set": "SA1", **VAN_GEARBOX}
    wanted = {
        "engine": "E04",
        "safety set": "SA1",
        "springs": "S2",
        "nose and underside": "N4",
        "mirrors and trim": "M2",
        **VAN_GEARBOX,
    }
    budget = demo.scenario.event.budget_cents / 100

    assert 2500 <= budget <= 4000
    assert demo.dollars({}) < demo.dollars(sensible) < budget < demo.dollars(wanted)
    assert demo.violations(sensible) == demo.violations(wanted) == set()
    assert demo.mph(wanted) > demo.mph(sensible) + 1


def test_record_of_the_class_is_just_reachable_on_the_budget(demo):
    """A legal build within the budget passes record and margin; the faster class is out of its reach."""
    build = {
        "engine": "E02",
        **axle_set("T24", "W16", "front", "rear"),
        **VAN_GEARBOX,
        "nose and underside": "N2",
        "mirrors and trim": "M2",
        "springs": "S2",
        "safety set": "SA1",
        "tire pressure": "P1",
        "brake pads": "K1",
    }
    planned, faster = (
        race.record_ms * (1 + race.record_margin) / MPH
        for race in demo.scenario.event.classes.values()
    )

    assert demo.violations(build) == set()
    assert demo.failed_checks(build) == set()
    assert demo.dollars(build) <= demo.scenario.event.budget_cents / 100
    assert planned < demo.mph(build) < planned + 1
    assert faster > planned + 5
    assert demo.mph({}) < planned - 5


def test_required_tag_is_carried_by_the_car(demo):
    """The rule asks for a tow eye, and the car brings it: no part has to."""
    rule = next(rule for rule in demo.scenario.race_class.rules if rule.name == "tow eye")

    assert rule.carry == "tow eye"
    assert rule.carry in demo.scenario.event.carries
