"""The best choice along a tree of pairs, against all choices tried."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from optimizer.search.pairing import NOTHING, Pairing

BOXES = 4


def _case(seed: int) -> tuple[Pairing, dict[tuple[int, int], np.ndarray], list[np.ndarray]]:
    """Up to five slots of up to four options, some of which do not go together or are not allowed."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(1, 5, rng.integers(1, 6))
    forbidden = {
        (f, g): rng.random((sizes[f], sizes[g])) < rng.choice([0.2, 0.6])
        for f, g in itertools.combinations(range(len(sizes)), 2)
        if rng.random() < 0.4
    }
    worth = [np.where(rng.random((BOXES, m)) < 0.8, rng.normal(size=(BOXES, m)), NOTHING) for m in sizes]
    return Pairing(len(sizes), forbidden), forbidden, worth


@pytest.mark.parametrize("seed", range(60))
def test_the_best_and_what_each_option_loses_equal_all_choices_tried(seed: int) -> None:
    pairing, _, worth = _case(seed)
    _, links = pairing.rooted(range(len(worth)))
    most, short, place = pairing.best(worth)
    for box in range(BOXES):
        best, with_option = NOTHING, [np.full(each.shape[1], NOTHING) for each in worth]
        for choice in itertools.product(*(range(each.shape[1]) for each in worth)):
            if all(link.fits[choice[link.parent], choice[link.child]] for link in links):
                value = sum(each[box, option] for each, option in zip(worth, choice, strict=True))
                best = max(best, value)
                for own, option in zip(with_option, choice, strict=True):
                    own[option] = max(own[option], value)
        if best < 0.5 * NOTHING:
            assert most[box] < 0.5 * NOTHING
            continue
        assert most[box] == pytest.approx(best)
        chosen = [int(each[box]) for each in place]
        assert all(link.fits[chosen[link.parent], chosen[link.child]] for link in links)
        assert sum(each[box, option] for each, option in zip(worth, chosen, strict=True)) == pytest.approx(best)
        for lost, own in zip(short, with_option, strict=True):
            possible = own > 0.5 * NOTHING
            assert lost[box][possible] == pytest.approx((best - own)[possible])
            assert (lost[box][~possible] > 1e9).all()


@pytest.mark.parametrize("seed", range(60))
def test_links_are_a_forest_of_the_pairs_given_in_whatever_order(seed: int) -> None:
    pairing, forbidden, worth = _case(seed)
    wanted = np.random.default_rng(seed).permutation(len(worth)).tolist()
    order, links = pairing.rooted(wanted)
    assert sorted(order) == sorted(wanted)
    children = [link.child for link in links]
    assert len(set(children)) == len(children)
    for link in links:
        assert order.index(link.parent) < order.index(link.child)
        pair = (link.parent, link.child)
        out = forbidden[pair] if pair in forbidden else forbidden[pair[::-1]].T
        assert (link.fits == ~out).all()
        assert (link.kinds[link.kind] == link.fits).all()
    parents = {link.child for link in links}
    for f, g in forbidden:  # what is left out closes a circle
        if forbidden[f, g].any():
            assert f in parents or g in parents
