"""A folder that is edited and asked again: what is still known makes the search shorter, never another answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from optimizer.scenario.event import Scenario
from optimizer.scenario.parts import Part
from optimizer.search.studies import Studies
from tests.search.catalogs import random_catalog
from tests.search.test_memory import SIZES, TOP, Everything, same_answer, without_one

Edit = Callable[[Scenario, np.random.Generator], Scenario]
EDITS = 3
"""Edits of each of seven catalogs, one after the other: each kind three times in all."""


def with_parts(scenario: Scenario, parts: dict[str, Part]) -> Scenario:
    return replace(scenario, parts=MappingProxyType({**scenario.parts, **parts}))


def some_part(scenario: Scenario, rng: np.random.Generator) -> Part:
    """One that costs something."""
    priced = sorted(key for key, part in scenario.parts.items() if part.price_cents)
    return scenario.parts[priced[int(rng.integers(len(priced)))]]


def another_price(scenario: Scenario, rng: np.random.Generator) -> Scenario:
    part = some_part(scenario, rng)
    cents = round((part.price_cents or 0) * float(rng.choice([0.3, 0.8, 1.5])))
    return with_parts(scenario, {part.id: replace(part, price_cents=cents)})


def another_mass(scenario: Scenario, rng: np.random.Generator) -> Scenario:
    part = some_part(scenario, rng)
    return with_parts(scenario, {part.id: replace(part, mass_kg=part.mass_kg * rng.uniform(0.7, 1.3))})


def one_more(scenario: Scenario, rng: np.random.Generator) -> Scenario:
    part = some_part(scenario, rng)
    again = {"id": f"{part.id}b", "name": f"{part.name} b", "price_cents": round((part.price_cents or 0) * 0.9)}
    return with_parts(scenario, {again["id"]: replace(part, **again)})


def another_budget(scenario: Scenario, rng: np.random.Generator) -> Scenario:
    cents = int((scenario.event.budget_cents or 300_000) * rng.uniform(0.7, 1.3))
    return replace(scenario, event=replace(scenario.event, budget_cents=cents))


def another_run_up(scenario: Scenario, rng: np.random.Generator) -> Scenario:
    course = replace(scenario.event.course, run_up_m=scenario.event.course.run_up_m * rng.uniform(0.8, 1.2))
    return replace(scenario, event=replace(scenario.event, course=course))


def another_car(scenario: Scenario, rng: np.random.Generator) -> Scenario:
    area = scenario.car.drag_area_m2 * rng.uniform(0.9, 1.1)
    return replace(scenario, car=replace(scenario.car, drag_area_m2=area))


PARTS: tuple[Edit, ...] = (another_price, another_mass, one_more, without_one, another_budget)
ALL: tuple[Edit, ...] = (*PARTS, another_run_up, another_car)


@pytest.mark.parametrize("seed", range(7))
def test_the_answer_after_an_edit_is_that_of_trying_everything(seed: int) -> None:
    scenario, rng = random_catalog(seed + 400, sizes=SIZES), np.random.default_rng(seed)
    studies = Studies()
    for number in range(EDITS + 1):
        study = studies.of(scenario)
        same_answer(study, Everything(study), {"budget_cents": scenario.event.budget_cents})
        edit = ALL[(seed + number * 2) % len(ALL)]
        scenario = edit(scenario, rng)


@pytest.mark.parametrize(
    ("edit", "kept"),
    [(another_price, True), (one_more, True), (another_budget, True), (without_one, False), (another_run_up, False),
     (another_car, False)],
)  # fmt: skip
def test_what_is_kept_of_what_is_known(edit: Edit, kept: bool) -> None:
    """All builds where only money and parts to buy changed; none where a part is gone, or what all builds hang on."""
    scenario = random_catalog(401, sizes=SIZES)
    studies = Studies()
    known = studies.of(scenario)
    known.best(TOP, budget_cents=scenario.event.budget_cents)
    after = studies.of(edit(scenario, np.random.default_rng(1)))

    assert len(known.memory.builds) > 0
    assert len(after.memory.builds) == (len(known.memory.builds) if kept else 0)


def test_each_salt_and_class_has_its_own() -> None:
    scenario = random_catalog(401, sizes=SIZES)
    event = replace(scenario.event, salts={**scenario.event.salts, "other": scenario.event.salts[scenario.event.salt]})
    scenario = replace(scenario, event=event)
    studies = Studies()
    studies.of(scenario).best(TOP, budget_cents=event.budget_cents)

    assert len(studies.of(scenario, "other").memory.builds) == 0
    assert len(studies.of(scenario, event.salt).memory.builds) > 0
    elsewhere = replace(event, classes={**event.classes, "B": event.classes[event.race_class]}, race_class="B")
    assert len(studies.of(replace(scenario, event=elsewhere)).memory.builds) == 0


def test_what_an_interruption_left_half_done_is_forgotten() -> None:
    """Ctrl-C between the builds and their numbers: the next study has only what is whole."""
    scenario = random_catalog(401, sizes=SIZES)
    studies = Studies()
    study = studies.of(scenario)
    study.best(TOP, budget_cents=scenario.event.budget_cents)
    memory, whole = study.memory, len(study.memory.legal)
    memory.builds = np.concatenate([memory.builds, memory.builds[:2]])
    memory.numbers = np.concatenate([memory.numbers, memory.numbers[:1]])
    after = studies.of(scenario)

    assert len(after.memory.builds) == len(after.memory.numbers) == len(after.memory.legal) == whole
    same_answer(after, Everything(after), {"budget_cents": scenario.event.budget_cents})
