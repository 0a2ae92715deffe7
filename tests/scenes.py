"""A scenario folder with everything that the tests of the demo and of the starter ask of it."""

import pathlib
from functools import cache

import optimizer
from optimizer.choice.legality import legality_of
from optimizer.choice.options import options_of
from optimizer.choice.price import PriceBook
from optimizer.questions import possible_study_of
from optimizer.run.judge import CHECKS, Judge
from optimizer.run.model import RunModel
from optimizer.scenario.reading import read_scenario

DEMO = pathlib.Path(__file__).parent.parent / "catalogs_demo" / "thrennel_flat"
STARTER = pathlib.Path(optimizer.__file__).parent / "starter"

MPH = 1609.344 / 3600
"""One mile per hour in m/s."""


@cache
def _study_for(question):
    return possible_study_of(read_scenario(STARTER), question)


def study_of_starter(_scenario, question, _studies=None):
    """In place of `possible_study_of` where the starter is asked: the same question goes to a study that remembers.

    A document, or a wider text, is then made of what was searched for before.
    """
    return _study_for(question)


class Scene:
    """A scenario with what the tests ask of it: reasons, prices and runs of builds given as changes."""

    def __init__(self, folder):
        self.scenario = read_scenario(folder)
        self.options = options_of(self.scenario)
        self.legality = legality_of(self.options)
        self.book = PriceBook(self.options)
        self.judge = Judge(RunModel(self.options))

    def part(self, part_id):
        return self.scenario.parts[part_id]

    def kit(self, kit_id):
        return next(kit for kit in self.scenario.kits if kit.id == kit_id)

    def build(self, changes):
        return self.options.encode(changes)

    def why_not(self, slot, part_id):
        """Names of the checks that keep a part out of a slot whatever else is chosen."""
        s = self.options.position(slot)
        ids = [part.id for part in self.options.parts[s]]
        return {reason.check for reason in self.legality.part_reasons.get((s, ids.index(part_id)), ())}

    def violations(self, changes):
        return {reason.check for reason in self.legality.violations(self.build(changes))}

    def dollars(self, changes):
        prices = self.book.price(self.build(changes)[None])
        assert prices.available[0]
        return int(prices.cents[0]) / 100

    def hours(self, changes):
        return float(self.book.price(self.build(changes)[None]).hours[0])

    def mph(self, changes):
        return float(self.judge.speeds(self.build(changes)[None])[0]) / MPH

    def failed_checks(self, changes):
        """Names of the checks of a run that a build fails."""
        row = self.build(changes)[None]
        passes = self.judge.judge(row, self.judge.runs(row)).passes[:, 0]
        return {name for name, passed in zip(CHECKS, passes, strict=True) if not passed}


def axle_set(tire, wheel, *axles):
    """Changes that put a tire and a wheel on one axle or both."""
    return {f"{axle} {kind}": part for axle in axles for kind, part in (("tires", tire), ("wheels", wheel))}
