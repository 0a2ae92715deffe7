"""Primitives of the charts: ticks, labels that keep apart, texts that fit, and what is escaped."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.report.page.charts import Drawing, Scale, apart, number, shorter, ticks


@pytest.mark.parametrize(
    ("low", "high", "about", "expected"),
    [
        (0, 10, 5, [0, 2, 4, 6, 8, 10]),
        (0.3, 1.1, 4, [0.4, 0.6, 0.8, 1.0]),
        (-1, 1, 2, [-1, 0, 1]),
        (97, 103, 3, [98, 100, 102]),
    ],
)
def test_ticks_are_round(low, high, about, expected):
    assert ticks(low, high, about) == pytest.approx(expected)


@given(st.floats(-1e5, 1e5), st.floats(1e-3, 1e5), st.integers(2, 12))
def test_ticks_lie_inside_and_are_about_so_many(low, span, about):
    """Never outside the ends, evenly apart, and no more than were asked for and one."""
    found = ticks(low, low + span, about)
    assert all(low - 1e-6 * span <= each <= low + span * (1 + 1e-6) for each in found)
    assert len(found) <= about + 1


@given(st.lists(st.floats(0, 100), min_size=1, max_size=6))
def test_labels_keep_apart(places):
    """Each has its gap to the next, all lie inside, and their order stays."""
    moved = apart(places, 10, 0, 100)
    order = sorted(range(len(places)), key=lambda i: places[i])
    assert all(moved[b] - moved[a] >= 10 - 1e-9 for a, b in pairwise(order))
    assert all(-1e-9 <= each <= 100 + 1e-9 for each in moved)


def test_labels_that_are_apart_stay_where_they_are():
    assert apart([50, 10, 90], 15, 0, 100) == [50, 10, 90]


def test_a_scale_runs_either_way():
    assert Scale(0, 10, 100, 0)(2.5) == 75


def test_long_texts_are_cut_with_a_sign():
    assert shorter("hard eco", 200) == "hard eco"
    assert shorter("W" * 300, 64) == "W" * 9 + "…"


def test_coordinates_are_short():
    assert [number(each) for each in (3.0, 3.14159, -0.01, 1200)] == ["3", "3.1", "0", "1200"]


def test_texts_are_escaped():
    drawing = Drawing(10, 10)
    drawing.text(1, 2, "<b>&")
    svg = drawing.svg("k", "a < b", "c & d")
    assert '<text class="label" x="1" y="2">&lt;b&gt;&amp;</text>' in svg
    assert '<title id="k-t">a &lt; b</title><desc id="k-d">c &amp; d</desc>' in svg
