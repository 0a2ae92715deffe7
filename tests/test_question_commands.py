"""What a crew asks, on the command line: every answer as text and as a document, and clear errors."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest

from optimizer import cli, questions
from optimizer.errors import NoLegalBuildError, UsageError
from optimizer.questions import on_every_salt
from optimizer.report.wording import CAUTION
from optimizer.scenario.reading import read_scenario
from optimizer.search.sharing import Helper
from optimizer.search.study import Study
from tests.json_schema import faults_of
from tests.scenes import STARTER, study_of_starter
from tests.search.catalogs import every_passing, held_to, random_catalog
from tests.test_cli import FORBIDDEN

COMMANDS = [
    ("why",),
    ("why", "--rank", "2"),
    ("budget", "--from", "1000"),
    ("budget", "--target", "record"),
    ("budget", "--target", "90"),
    ("budget", "--class", "any"),
    ("buy-order", "--spend", "1400", "--spend", "800"),
    ("shortlist", "--count", "3"),
    ("compare", "1", "now"),
    ("salts", "--top", "2"),
    ("why-not", "T3"),
    ("why-not", "X2"),
    ("try", "--part", 'tire Z1 size="155/65R14 75H" mass="12 lb" price=$60 "rolling coefficient=0.0066" made=1027'),
]


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def run(command: str, *more: str) -> tuple[int, str, str]:
        code = cli.run([command, str(STARTER), *more])
        out, err = capsys.readouterr()
        return code, out, err

    return run


@pytest.mark.parametrize("id_", ["2", "now"])
def test_a_place_that_is_a_part_too_is_not_guessed(id_: str) -> None:
    """Which is meant is asked; with its slot the part is one, alone or with others."""
    scenario = read_scenario(STARTER)
    tire = replace(scenario.parts["T2"], id=id_)
    parts = {each.id: each for each in (*scenario.parts.values(), tire)}
    study = Study.of(replace(scenario, parts=MappingProxyType(parts)))
    with pytest.raises(UsageError, match=f"{id_} is .* and the id of a part; name the part as SLOT={id_}"):
        questions.build_named(study, id_)
    for named in (f"front tires={id_},rear tires=T2", f"rear tires=T2 + front tires={id_}"):
        build = study.options.decode(questions.build_named(study, named))
        assert (build["front tires"], build["rear tires"]) == (id_, "T2")


@pytest.mark.parametrize("arguments", COMMANDS, ids=" ".join)
def test_every_answer_as_text_and_as_a_document(ask, arguments: tuple[str, ...], monkeypatch) -> None:
    """Text with the caution, no forbidden words and lines of a terminal's width; one document with the same head."""
    monkeypatch.setattr("optimizer.questions.possible_study_of", study_of_starter)
    code, text, err = ask(*arguments)
    assert code == 0, err
    assert err == ""
    assert CAUTION[0].split(". ")[0] in " ".join(text.split())
    assert not FORBIDDEN.search(text)
    assert max(map(len, text.splitlines())) <= 80
    code, out, _ = ask(*arguments, "--json")
    assert code == 0
    document = json.loads(out)
    assert document["schema"] == 1
    assert document["answer"] == arguments[0]
    assert document["caution"] == list(CAUTION)
    assert document["found"]
    assert faults_of(document) == []


def test_why_adds_up_in_the_document(ask) -> None:
    """Shares add up to the gain in the event's unit, to rounding; the same question has the same bytes."""
    out = ask("why", "--json")[1]
    assert ask("why", "--json")[1] == out
    found = json.loads(out)["found"]["shares"]
    assert sum(each["share_mph"] for each in found["shares"]) == pytest.approx(found["gain_mph"], abs=1e-3)


def test_a_speed_needs_no_blank_before_its_unit(ask, monkeypatch) -> None:
    """90 in the event's miles an hour, with the unit and without a blank: the same answer."""
    monkeypatch.setattr("optimizer.questions.possible_study_of", study_of_starter)
    plain, *same = (ask("budget", "--target", each, "--json")[1] for each in ("90", "90mph", " 90 mph"))
    assert same == [plain, plain]


def test_steps_of_money_rise(ask) -> None:
    """Prices and speeds rise from step to step."""
    steps = json.loads(ask("budget", "--every", "--to", "1300", "--json")[1])["found"]["steps"]
    assert [each["cents"] for each in steps] == sorted(each["cents"] for each in steps)
    assert [each["speed_mph"] for each in steps] == sorted(each["speed_mph"] for each in steps)
    assert len(steps) > 1


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("compare", "1", "nonsense"), "no part is called 'nonsense'"),
        (("compare", "1", "101"), "1 to 100, not 101"),
        (("buy-order", "--spend", "much", "--spend", "2"), "--spend 'much'"),
        (("buy-order", "--spend", "100"), "stages"),
        (
            ("buy-order", "--spend", "-5", "--spend", "7", "--spend", "much"),
            "--spend '-5' must be 0 or more\n--spend 'much' must be",
        ),
        (("budget", "--from", "low", "--to", "high"), "--from 'low' must be an amount of money"),
        (("budget", "--from", "low", "--to", "high"), "--to 'high' must be an amount of money"),
        (("budget", "--target", "fast"), "--target 'fast' must be a number"),
        (("budget", "--target", "118 mhp"), "a speed such as 118, or 190 km/h"),
        (("budget", "--from", "3000", "--to", "2000"), "lies below the lowest"),
        (("why", "--salt", "brine"), "no salt condition is called 'brine'"),
        (("why", "--salt", "frim"), "no salt condition is called 'frim'; did you mean firm? There are firm, "),
        (("shortlist", "--soft", "brine"), "brine"),
        (("why", "--class", "any"), "no class is called 'any': only budget takes any; the classes are Open car 1300, "),
        (("why", "--class", "open car"), "; did you mean Open car 1300? The classes are Open car 1300, "),
        (("why-not", "T99"), "no part is called 'T99'"),
        (("why-not", "t3"), "no part is called 't3'; nearest: T3"),
        (("try",), "nothing is on offer"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
)
def test_wrong_questions(ask, arguments: tuple[str, ...], expected: str) -> None:
    """A wrong question is refused with what is wrong and what is known; exit code 2."""
    code, out, err = ask(*arguments)
    assert code == 2, (out, err)
    assert expected in err
    assert out == ""


def test_a_build_against_itself(ask) -> None:
    """Nothing to compare, and that is said."""
    assert "number 1 are the same build" in " ".join(ask("compare", "1", "1")[1].split())


def test_a_part_that_does_not_go_with_the_rest_says_where_to_ask(ask) -> None:
    """Where all is legal, or nothing was put in, there is nothing to say."""
    said = ["why-not FOLDER PART" in " ".join(ask("compare", "1", each)[1].split()) for each in ("W2", "now")]
    assert said == [True, False]


def test_what_a_slot_left_empty_costs_can_be_asked(ask) -> None:
    """Nothing has neither a price nor a mass."""
    for named in ("body=none", "none"):
        code, out, err = ask("why-not", named)
        assert (code, err) == (0, "")
        assert "What would bring it in" not in out


def test_a_target_above_every_car_says_by_how_much(ask) -> None:
    """No error: the fastest there is, and what it lacks."""
    code, out, _ = ask("budget", "--target", "400", "--to", "2600")
    assert code == 0
    assert "No legal build" in out
    assert "short" in out


def test_money_that_buys_no_legal_car(ask) -> None:
    """Exit code 4, with the cheapest legal price."""
    code, _, err = ask("buy-order", "--spend", "10", "--spend", "3000")
    assert code == 4
    assert "stage 1" in err


def test_salts_are_the_same_with_a_worker_and_without() -> None:
    """The condition of least grip is looked at by the worker, and by nobody else; processes in the test of commands."""
    study = Study.of(read_scenario(STARTER))
    given: list[str] = []

    class Here(ThreadPoolExecutor):
        def submit(self, fn, /, *args, **kwargs):
            given.extend(args[1:2] if fn is questions._best_on else ())
            return super().submit(fn, *args, **kwargs)

    alone = on_every_salt(study.fresh(), 2)
    shared = on_every_salt(replace(study.fresh(), helper=Helper(Here(1))), 2)

    salts = study.scenario.event.salts
    assert given == [min(salts, key=lambda salt: salts[salt].grip)]
    assert [each.by_salt for each in shared] == [each.by_salt for each in alone]
    assert [each.build.tolist() for each in shared] == [each.build.tolist() for each in alone]


def test_a_salt_without_a_legal_build_is_refused_by_a_worker_too() -> None:
    """With the same words."""
    starter = read_scenario(STARTER)
    study = Study.of(replace(starter, event=replace(starter.event, budget_cents=100)))
    said = []
    for helper in (None, Helper(ThreadPoolExecutor(1))):
        with pytest.raises(NoLegalBuildError) as refused:
            on_every_salt(replace(study.fresh(), helper=helper), 1)
        said.append(str(refused.value))
    assert said[0] == said[1]


def test_the_part_typed_in_the_readme_is_an_offer(capsys: pytest.CaptureFixture[str]) -> None:
    """On a new folder, as it stands there."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    typed = re.search(r"saltmile try my_car --part '([^']+)'", readme)
    assert typed is not None
    code = cli.run(["try", str(STARTER), "--part", typed[1]])
    assert code == 0
    told = " ".join(capsys.readouterr().out.split())
    # whether it takes the record is said with its speed, as in the ranking
    record = "the 102.4 mph that takes the record"
    assert re.search(rf"The best build with it: [\d.]+ mph for \$[\d,]+.*?; [\d.]+ mph (over|short of) {record}", told)


@pytest.mark.parametrize("seed", [5002, 5006])
def test_builds_that_are_equal_on_a_salt_stand_as_the_ranking_has_them(seed: int) -> None:
    """In speed, held by a cap, and in price: then by what is left of what is tightest, and by ids."""
    scenario = random_catalog(seed, sizes=(1, 1, 2, 2, 1, 1, 1))
    plain = Study.of(scenario)
    _, speed, _ = every_passing(plain.judge, plain.legality)
    cap_ms = float(np.quantile(speed[speed > 0], 0.4))
    lighter = replace(scenario.parts["W0"], id="W9", mass_kg=scenario.parts["W0"].mass_kg - 1.5)
    with_both = replace(scenario, parts=MappingProxyType({**scenario.parts, "W9": lighter}))
    study = Study.of(held_to(with_both, cap_ms))
    rows = on_every_salt(study, 3)
    for salt in scenario.event.salts:
        best = study.on_salt(salt).best(3, budget_cents=scenario.event.budget_cents).builds[:3]
        placed = {row.by_salt[salt].place: row.build for row in rows}
        assert all((placed[n] == build).all() for n, build in enumerate(best, 1))
