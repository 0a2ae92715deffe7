"""Small random scenarios with everything in use that the model has to get right; every build of them."""

import itertools
import random
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from optimizer.scenario.event import Limit, PairRule, Rule
from tests.choice.records import make_class
from tests.choice.test_price_against_enumeration import random_scenario

TAGS = ("red", "green", "blue")


def random_ruled_scenario(seed):
    """Shared parts and jobs, packs, stock, owned pieces, resale, kits (some mounted), hours; and rules."""
    rng = random.Random(1000 + seed)
    scenario = random_scenario(seed)
    parts = {
        key: replace(
            part,
            mass_kg=rng.choice([1.0, 2.5, 4.0, 7.25]),
            tags=frozenset(rng.sample(TAGS, rng.choice([0, 1, 1, 2]))),
            needs=(rng.choice(TAGS),) if rng.random() < 0.08 else (),
            not_with=(rng.choice(TAGS),) if rng.random() < 0.08 else (),
        )
        if part.kind == "extra"
        else part
        for key, part in scenario.parts.items()
    }
    names = [key for key, part in parts.items() if part.kind == "extra"]
    ruled = make_class(
        rules=(Rule(name="light parts", reason="class", field="mass", maximum=rng.choice([5.0, 9.0, 9.0])),),
        pairs=tuple(
            PairRule(
                name=f"pair {i}", reason="class", first=rng.choice([*names, *TAGS]), second=rng.choice(names)
            )
            for i in range(rng.randint(0, 2))
        ),
        limits=(
            Limit(
                name="few",
                reason="class",
                quantity="count",
                tag=rng.choice(TAGS),
                maximum=rng.choice([1.0, 2.0, 3.0]),
            ),
            Limit(
                name="weight",
                reason="class",
                quantity="mass",
                maximum=860.0 + rng.choice([-4.0, 5.0, 10.0, 20.0, 40.0]),
            ),
        ),
        fixed_costs=(("license", 77),),
    )
    event = replace(scenario.event, classes=MappingProxyType({ruled.name: ruled}), race_class=ruled.name)
    return replace(scenario, parts=MappingProxyType(parts), event=event)


def every_build(options):
    """All builds, shape ``(n, S)``."""
    return np.array(list(itertools.product(*(range(m) for m in options.sizes))), dtype=np.int64)


def legal_builds(options, legality, book):
    """All builds that the rules allow and that can be bought and done within the hours, and their prices."""
    builds = every_build(options)
    prices = book.price(builds)
    kept = legality.allowed(builds) & prices.available
    return builds[kept], prices.cents[kept]


def scores_of(options, seed, spread=1.0):
    """Random scores for every option."""
    rng = np.random.default_rng(seed)
    return [spread * rng.normal(size=m) for m in options.sizes]


def total(scores, builds):
    """Scores of builds, shape ``(n,)``."""
    return sum(each[builds[:, s]] for s, each in enumerate(scores))
