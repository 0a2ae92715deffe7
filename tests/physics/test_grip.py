"""Grip against worked examples, and against the balance of moments it was solved from."""

import numpy as np
import pytest

from optimizer.physics import brakes, grip
from tests.physics.published import rows


def loads_of(row):
    """Axle loads of a car of 1 kg."""
    share = row.number("cg_behind_front_m") / row.number("wheelbase_m")
    return row.number("g") * (1 - share), row.number("g") * share


def thrust_of(row, layout):
    front, rear = loads_of(row)
    mu, arm = row.number("mu"), (row.number("cg_height_m"), row.number("wheelbase_m"))
    return {
        "front": lambda: grip.max_thrust_front(mu, front, 0.0, *arm),
        "rear": lambda: grip.max_thrust_rear(mu, rear, 0.0, *arm),
        "all": lambda: grip.max_thrust_all(mu, mu, front, rear, 0.0, *arm),
    }[layout]()


@pytest.mark.parametrize("row", rows("grip.csv", "front", "rear", "all"), ids=str)
def test_worked_traction_examples(row):
    """Thrust of a car of 1 kg is its acceleration."""
    assert thrust_of(row, row.quantity) == pytest.approx(row.expected, rel=row.tolerance)


def test_worked_example_of_time_to_speed():
    """The printed time follows from the printed acceleration's exact value."""
    (row,) = rows("grip.csv", "time_to_105_kmh")

    assert 105 / 3.6 / thrust_of(row, "rear") == pytest.approx(row.expected, rel=row.tolerance)


GENERATOR = np.random.default_rng(11)
CARS = {
    "mu": GENERATOR.uniform(0.2, 0.9, 50),
    "front": GENERATOR.uniform(3000.0, 8000.0, 50),
    "rear": GENERATOR.uniform(3000.0, 8000.0, 50),
    "rolling": GENERATOR.uniform(0.0, 600.0, 50),
    "height": GENERATOR.uniform(0.3, 0.6, 50),
    "wheelbase": GENERATOR.uniform(2.0, 2.7, 50),
}
ARM = (CARS["height"], CARS["wheelbase"])


def test_front_thrust_uses_all_the_grip_it_leaves_itself():
    """Put the thrust back: grip times the load that remains on the axle."""
    thrust = grip.max_thrust_front(CARS["mu"], CARS["front"], CARS["rolling"], *ARM)
    transfer = grip.axle_load_transfer(thrust, CARS["rolling"], *ARM)

    assert thrust == pytest.approx(CARS["mu"] * (CARS["front"] - transfer))


def test_rear_thrust_uses_all_the_grip_it_brings_itself():
    """Put the thrust back: grip times the load that the axle has then."""
    thrust = grip.max_thrust_rear(CARS["mu"], CARS["rear"], CARS["rolling"], *ARM)
    transfer = grip.axle_load_transfer(thrust, CARS["rolling"], *ARM)

    assert thrust == pytest.approx(CARS["mu"] * (CARS["rear"] + transfer))


def test_all_wheels_use_all_the_grip_there_is():
    """Different grip on the two axles: the balance holds with the transfer of the thrust found."""
    mu_rear = CARS["mu"][::-1]
    thrust = grip.max_thrust_all(CARS["mu"], mu_rear, CARS["front"], CARS["rear"], CARS["rolling"], *ARM)
    transfer = grip.axle_load_transfer(thrust, CARS["rolling"], *ARM)

    assert thrust == pytest.approx(
        CARS["mu"] * (CARS["front"] - transfer) + mu_rear * (CARS["rear"] + transfer)
    )


def test_all_wheel_drive_without_grip_on_one_axle_is_two_wheel_drive():
    """The three layouts are one formula."""
    front_only = grip.max_thrust_all(CARS["mu"], 0.0, CARS["front"], CARS["rear"], CARS["rolling"], *ARM)
    rear_only = grip.max_thrust_all(0.0, CARS["mu"], CARS["front"], CARS["rear"], CARS["rolling"], *ARM)

    assert front_only == pytest.approx(
        grip.max_thrust_front(CARS["mu"], CARS["front"], CARS["rolling"], *ARM)
    )
    assert rear_only == pytest.approx(grip.max_thrust_rear(CARS["mu"], CARS["rear"], CARS["rolling"], *ARM))


def test_braking_uses_all_the_grip_there_is():
    """Braking is thrust backwards: the transfer of -B, to the front."""
    mu, front, rear, rolling = (CARS[name] for name in ("mu", "front", "rear", "rolling"))
    by_front = grip.max_braking_front(mu, front, *ARM, rolling)
    by_rear = grip.max_braking_rear(mu, rear, *ARM, rolling)

    assert by_front == pytest.approx(mu * (front - grip.axle_load_transfer(-by_front, rolling, *ARM)))
    assert by_rear == pytest.approx(mu * (rear + grip.axle_load_transfer(-by_rear, rolling, *ARM)))


@pytest.mark.parametrize("share", [0.3, 0.55, 0.7, 0.95])
def test_an_axle_locks_where_its_share_of_the_braking_is_all_its_grip(share):
    """At each of the two forces that axle's part is its grip on the load it then has."""
    mu, front, rear, rolling = (CARS[name] for name in ("mu", "front", "rear", "rolling"))
    at_front, at_rear = grip.max_braking_split(share, mu, mu[::-1], front, rear, *ARM, rolling)
    some = np.isfinite(at_front)

    forward = -grip.axle_load_transfer(-at_front[some], rolling[some], *ARM)
    assert share * at_front[some] == pytest.approx(mu[some] * (front[some] + forward))
    forward = -grip.axle_load_transfer(-at_rear, rolling, *ARM)
    assert (1 - share) * at_rear == pytest.approx(mu[::-1] * (rear - forward))


def test_with_the_ideal_share_both_axles_lock_together():
    """Grip 0.5, 6,000 N of 10,000 N in front: share 0.6 + 0.5 x 0.5 / 2.5 = 0.7, and 5,000 N of braking."""
    share = brakes.ideal_front_share(0.5, 0.5, 2.5, 0.6 * 2.5)

    assert share == pytest.approx(0.7)
    assert grip.max_braking_split(share, 0.5, 0.5, 6000.0, 4000.0, 0.5, 2.5) == pytest.approx((5000.0, 5000.0))


def test_more_in_front_locks_the_front_first_and_less_the_rear():
    """On either side of the ideal share less braking is left."""
    for share, first in ((0.8, 0), (0.6, 1)):
        both = grip.max_braking_split(share, 0.5, 0.5, 6000.0, 4000.0, 0.5, 2.5)
        assert np.argmin(both) == first
        assert min(both) < 5000.0


def test_an_axle_without_brakes_never_locks():
    """All braking in front: the rear share is nothing but what the transfer takes; none in front: the front never."""
    front, _ = grip.max_braking_split(0.0, 0.5, 0.5, 6000.0, 4000.0, 0.5, 2.5)

    assert front == np.inf


def test_no_thrust_from_a_lifted_axle():
    """More lift than load leaves nothing, not a negative force."""
    assert grip.max_thrust_front(0.5, -500.0, 100.0, 0.5, 2.4) == 0.0
    assert grip.max_thrust_rear(0.5, -500.0, 100.0, 0.5, 2.4) == 0.0


def test_a_tall_short_car_lifts_before_it_slips():
    """With mu h / L of 1 and more rear grip is never the limit."""
    assert grip.max_thrust_rear(0.8, 5000.0, 0.0, 2.0, 1.6) == np.inf
    assert grip.max_thrust_rear(0.9, 5000.0, 0.0, 2.0, 1.6) == np.inf


def test_slip_of_grip_use():
    """7/8 of the grip takes half the slip of sliding: 1 - (1/8)^(1/3) = 1/2."""
    assert grip.slip_of_grip_use(0.0, 0.2) == 0.0
    assert grip.slip_of_grip_use(0.875, 0.2) == pytest.approx(1 / 11), "1/12 of the wheel's speed, on 11/12 of it"
    assert grip.slip_of_grip_use(1.0, 0.2) == pytest.approx(0.2)
    assert grip.slip_of_grip_use(1.4, 0.2) == pytest.approx(0.2)


def test_grip_of_slip_is_the_inverse():
    """There and back."""
    use = np.linspace(0.0, 1.0, 101)

    assert grip.grip_of_slip(grip.slip_of_grip_use(use, 0.15), 0.15) == pytest.approx(use, abs=1e-12)
    assert grip.grip_of_slip(0.5, 0.15) == 1.0
    assert grip.grip_of_slip([-0.01, 0.2], 0.15) == pytest.approx([0.0, 1.0])
