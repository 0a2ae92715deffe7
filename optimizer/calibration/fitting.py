"""The most likely world, and how well each parameter is known in it: all measurements at once, and what was known.

Bayes's rule with a standard normal prior for every parameter, by the Gauss-Newton method: slopes of all measurements in
all parameters are one batch of simulations, and noise is estimated anew as the fit goes on. Numbers that nothing else
agrees with are given a wider scatter until they no longer pull (P. J. Huber, "Robust estimation of a location
parameter", Annals of Mathematical Statistics 35 (1964); from memory), and are named.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from optimizer.calibration.noise import Noise, noise_before, noise_of
from optimizer.calibration.observations import OfTrace, size_of
from optimizer.calibration.problem import Problem
from optimizer.choice.options import FloatArray

ROUNDS = 8
DRAWS, STARTS, SEED = 64, 3, 6
"""Worlds drawn to find other starts, and how many of these."""
SETTLED = 0.02
"""A step shorter than this, in standard uncertainties, ends the search."""
SHORTER = (1.0, 0.5, 0.2)
"""Shares of a step that are tried at once."""
FEW, FAR = 3, 4.0
"""Of two observations one is only an outlier where it is off what the other and what was known beforehand let expect by
more than so many standard deviations: little else agrees without it. One alone never is: why it is off is the question.
"""
BENDS = 0.4
"""Slopes are worked out anew where a world has gone further from where they were, in standard uncertainties."""
STRAY = 4.0
"""A mean of a trace off by this many of its standard deviations is a stray."""
ALONE, PULLS = 3.0, 2.0
"""A number off what all others let expect by more than the first of its standard deviations is an outlier; it is given
so much scatter that it is off by the second."""


@dataclass(frozen=True)
class Fit:
    """The most likely world.

    Attributes
    ----------
    problem : Problem
    world : array (P,)
        Scores.
    covariance : array (P, P)
        Of the scores: one on the diagonal where the data say nothing.
    shown : array (N,)
        What that world shows.
    slopes : array (N, P)
        Of what worlds show.
    noise : tuple of Noise
        Of each observation.
    used : tuple of bool
        Which observations were used.
    surprise : tuple of float
        Of each observation, how many standard deviations it is off what all others let expect; the root of the mean
        square for a trace, 1 being usual.
    extra : array (N,)
        Variance given to strays.
    """

    problem: Problem
    world: FloatArray
    covariance: FloatArray
    shown: FloatArray
    slopes: FloatArray
    noise: tuple[Noise, ...]
    used: tuple[bool, ...]
    surprise: tuple[float, ...]
    extra: FloatArray

    @property
    def narrowed(self) -> FloatArray:
        """What is left of each parameter's standard uncertainty, as a share: (P,)."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def left(self) -> FloatArray:
        """What was observed less what the world shows: (N,)."""
        return np.asarray(self.problem.observed - self.shown)


def fit(problem: Problem, used: tuple[bool, ...] | None = None, start: FloatArray | None = None) -> Fit:
    """Find the most likely world.

    Parameters
    ----------
    problem : Problem
    used : tuple of bool, optional
        Which observations to use; all if left out.
    start : array (P,), optional
        A world to start from.
    """
    taken = used or (True,) * len(problem.observations)
    world = np.zeros(len(problem.parameters)) if start is None else start
    found = _climbed(problem, taken, world)
    if problem.held(world, taken):
        # on the limiter nothing shows what else the car had: worlds in which it is slower must be tried as such
        others = [_climbed(problem, taken, world) for world in _likely_draws(found)]
        found = min([found, *others], key=lambda each: each.unlikeliness())
    return found.fit()


def _climbed(problem: Problem, used: tuple[bool, ...], world: FloatArray) -> _State:
    """The state at the end of the search from a world (P,)."""
    noise = tuple(noise_before(each) for each in problem.observations)
    extra = np.zeros(len(problem.observed))
    state = _State(problem, used, world, world, *problem.linearized(world), noise, extra)
    for round_ in range(ROUNDS):
        state = state.with_noise()
        state, moved = state.stepped(state.target() - state.world)
        if moved < SETTLED and round_ > 1:
            break
    return state


def _likely_draws(state: _State) -> list[FloatArray]:
    """Of some worlds (P,) drawn from what is known beforehand, those that are most likely by what was observed."""
    problem = state.problem
    size, axes = np.linalg.eigh(problem.prior)
    scores = np.random.default_rng(SEED).normal(size=(DRAWS, len(problem.parameters)))
    worlds = scores @ (axes * np.sqrt(np.maximum(size, 0.0))).T
    losses = [state.unlikely(shown, world) for shown, world in zip(problem.shown(worlds), worlds, strict=True)]
    # its own score is not held against a draw: the search to come brings it down
    free = [loss - 0.5 * float(world @ problem.prior_known @ world) for loss, world in zip(losses, worlds, strict=True)]
    return [worlds[k] for k in np.argsort(free)[:STARTS]]


@dataclass(frozen=True)
class _State:
    """Where the search is."""

    problem: Problem
    used: tuple[bool, ...]
    world: FloatArray
    sloped_at: FloatArray
    shown: FloatArray
    slopes: FloatArray
    noise: tuple[Noise, ...]
    extra: FloatArray

    def _whitened(self, rows: FloatArray) -> FloatArray:
        """Rows (N, ...) of the observations that are used, independent and of unit variance; zero for the others."""
        out = np.zeros_like(rows)
        for where, each, used in zip(self.problem.slices, self.noise, self.used, strict=True):
            if used:
                out[where] = each.whitened(rows[where])
        return out

    def _known(self) -> FloatArray:
        """Inverse covariance of the parameters (P, P)."""
        white = self._whitened(self.slopes)
        return np.asarray(self.problem.prior_known + white.T @ white)

    def target(self) -> FloatArray:
        """The most likely world if slopes stayed as they are here."""
        off = self.problem.observed - self.shown + self.slopes @ self.world
        return np.asarray(np.linalg.solve(self._known(), self._whitened(self.slopes).T @ self._whitened(off)))

    def unlikely(self, shown: FloatArray, world: FloatArray) -> float:
        """Minus the logarithm of how likely a world is, but for a constant."""
        off = self._whitened(self.problem.observed - shown)
        return 0.5 * float(off @ off) + 0.5 * float(world @ self.problem.prior_known @ world)

    def unlikeliness(self) -> float:
        """Minus the logarithm of the chance of all worlds about this one, by Laplace's method, but for a constant.

        A world on the edge of a cliff may be likelier than any other, and yet have hardly any beside it.
        """
        logs = [np.linalg.slogdet(each.covariance)[1] for each, used in zip(self.noise, self.used, strict=True) if used]
        room = np.linalg.slogdet(self._known())[1]
        return self.unlikely(self.shown, self.world) + 0.5 * float(np.sum(logs) + room)

    def stepped(self, step: FloatArray) -> tuple[_State, float]:
        """The state after the best share of a step, and its largest move."""
        tried = np.stack([self.world + share * step for share in SHORTER])
        shown = self.problem.shown(tried)
        scores = [self.unlikely(each, world) for each, world in zip(shown, tried, strict=True)]
        best = int(np.argmin(scores))
        if scores[best] > self.unlikely(self.shown, self.world):
            return self, 0.0
        world, moved = tried[best], float(np.abs(tried[best] - self.world).max())
        if np.abs(world - self.sloped_at).max() < BENDS:
            return replace(self, world=world, shown=shown[best]), moved
        now, slopes = self.problem.linearized(world)
        return replace(self, world=world, sloped_at=world, shown=now, slopes=slopes), moved

    def with_noise(self) -> _State:
        """The same with noise, and strays, by what is left now."""
        extra = self._strays()
        off = self.problem.observed - self.shown + self.slopes @ self.world
        noise = tuple(
            noise_of(each, off[where], self.slopes[where], self.problem.prior, extra[where])
            for each, where in zip(self.problem.observations, self.problem.slices, strict=True)
        )
        return replace(self, noise=noise, extra=extra)

    def _strays(self) -> FloatArray:
        """Variance that strays have on top: (N,)."""
        extra = np.zeros_like(self.extra)
        left = self.problem.observed - self.shown
        surprise, count = self.surprise(), sum(self.used)
        for each, where, noise, one, used in zip(
            self.problem.observations, self.problem.slices, self.noise, surprise, self.used, strict=True
        ):
            if isinstance(each, OfTrace):
                if size_of(each) < 6:
                    continue
                usual = noise.single**2 + noise.lasting**2
                off = np.abs(left[where] - np.median(left[where]))
                extra[where] = np.where(off > STRAY * np.sqrt(usual), (off / 2.0) ** 2, 0.0)
            elif used and count > 1 and one > (ALONE if count >= FEW else FAR):
                gap, rest = self._gap(where, noise)
                extra[where] = max((gap / PULLS) ** 2 - rest - each.scatter**2, 0.0)
        return extra

    def surprise(self) -> tuple[float, ...]:
        """How far each observation is off what all others let expect: see `Fit`."""
        left = self.problem.observed - self.shown
        found = []
        for each, where, noise, used in zip(
            self.problem.observations, self.problem.slices, self.noise, self.used, strict=True
        ):
            if not isinstance(each, OfTrace):
                gap, rest = self._gap(where, noise, used=used)
                found.append(float(abs(gap) / np.sqrt(each.scatter**2 + rest)))
                continue
            told, off = self._told(where, noise), noise.whitened(left[where])
            square = float(off @ np.linalg.solve(told, off)) if used else float(off @ off)
            found.append(float(np.sqrt(max(square, 0.0) / len(off))))
        return tuple(found)

    def _told(self, where: slice, noise: Noise) -> FloatArray:
        """What is left of an observation's variance once it has pulled the fit to itself: (m, m), of whitened rows."""
        slopes = noise.whitened(self.slopes[where])
        return np.asarray(np.eye(len(slopes)) - slopes @ self.covariance @ slopes.T)

    def _gap(self, where: slice, noise: Noise, *, used: bool = True) -> tuple[float, float]:
        """What a lone number is off what all others let expect, and the variance of the latter."""
        left = float((self.problem.observed - self.shown)[where][0])
        if not used:
            slopes = self.slopes[where]
            return left, float((slopes @ self.covariance @ slopes.T)[0, 0])
        told = float(self._told(where, noise)[0, 0])
        return left / told, float((1.0 / told - 1.0) * noise.covariance[0, 0])

    @cached_property
    def covariance(self) -> FloatArray:
        """Covariance of the parameters (P, P)."""
        found = np.linalg.inv(self._known())
        return np.asarray(0.5 * (found + found.T))

    def fit(self) -> Fit:
        """The result."""
        return Fit(
            self.problem, self.world, self.covariance, self.shown, self.slopes, self.noise, self.used,
            self.surprise(), self.extra,
        )  # fmt: skip
