"""A stop from the speed of the fast day: what it would ask for, and that it is told where that is too much."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.answers.cards import StopCard, card_of
from optimizer.report.wording import Words
from optimizer.run.stopping import stopping_of
from tests.scenes import STARTER, Scene


@pytest.fixture(scope="module")
def scene() -> Scene:
    return Scene(STARTER)


def test_it_is_from_the_last_board_on_the_fast_day(scene: Scene) -> None:
    """As the stopping rule has it, from that speed."""
    build = scene.options.fitted
    card = card_of(scene.judge, scene.legality, scene.book, build, None)
    fast_ms = float(scene.judge.on_fast_day(build[None]).passing.speed[1, 0])
    from_ms = max(fast_ms, card.stop.from_ms)
    stop = stopping_of(scene.judge.model, build[None], np.array([from_ms]))
    assert card.stop.fast_day.from_ms == pytest.approx(from_ms)
    assert card.stop.fast_day.distance_m == pytest.approx(float(stop.distance_m.max()))
    assert card.stop.fast_day.rise_share == pytest.approx(float(stop.rise_share[0]))


def test_it_is_told_where_it_is_too_much_and_only_there(scene: Scene) -> None:
    words = Words(scene.options.scenario)
    stop = card_of(scene.judge, scene.legality, scene.book, scene.options.fitted, None).stop
    faster, far = stop.from_ms + 1.0, stop.shutdown_m + 1.0

    def so(**changes: float) -> StopCard:
        return replace(stop, fast_day=replace(stop.fast_day, **changes))

    def told(**changes: float) -> str:
        return words.fast_day_stop(so(**changes))

    assert told(from_ms=faster, distance_m=1.0, rise_share=1.0) == ""
    assert told(from_ms=stop.from_ms, distance_m=far, rise_share=1.5) == ""  # the rule itself says so
    for changes, says in (({"distance_m": 1.0, "rise_share": 1.2}, "rise by 120%"), ({"rise_share": 0.1}, "need")):
        text = told(**{"from_ms": faster, "distance_m": far, **changes})
        assert text.startswith("WARNING: on the fast day")
        assert words.speed(faster) in text
        assert says in text
        assert text.endswith("lift before.")
        assert text in words.stop(so(**{"from_ms": faster, "distance_m": far, **changes}))
