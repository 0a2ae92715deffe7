"""The highest and lowest torque an engine has between two engine speeds, for many windows at once."""

from __future__ import annotations

import numpy as np

from optimizer.run.inputs import FloatArray, IntArray, TorqueTable


def power_table(table: TorqueTable, *, least: bool = False) -> TorqueTable:
    """Torque times engine speed (N m rpm) at the points of a torque table, so that straight lines between lie above it.

    Between two points torque is linear, and power at most a quarter of step times change of torque off its own line;
    with ``least`` the lines lie below it.
    """
    points = table.torque_nm.shape[1]
    change = np.abs(np.diff(table.torque_nm, axis=1))
    still = np.zeros((len(change), 1))
    beside = np.maximum(np.concatenate([change, still], axis=1), np.concatenate([still, change], axis=1))
    off = (-0.25 if least else 0.25) * table.step_rpm * beside
    return TorqueTable(table.torque_nm * (np.arange(points) * table.step_rpm) + off, table.step_rpm)


class TorqueExtremes:
    """Extremes of a torque table over windows: between its points torque is linear, so only points and ends count.

    Highest values over every run of 2, 4, 8 ... points are kept; two of them cover any window (the sparse table of
    M. A. Bender, M. Farach-Colton, "The LCA problem revisited", 2000).
    """

    def __init__(self, table: TorqueTable) -> None:
        self.table = table
        self._highest = _runs_of(table.torque_nm)
        self._lowest = _runs_of(-table.torque_nm)
        slope = np.diff(table.torque_nm, axis=1, append=table.torque_nm[:, -1:]) / table.step_rpm
        self._steepest, self._steepest_fall = _runs_of(slope), _runs_of(-slope)

    def highest(self, engine: IntArray, low_rpm: FloatArray, high_rpm: FloatArray) -> FloatArray:
        """Highest torque [N m] of engines (E,) between engine speeds (E, K)."""
        return self._over(self._highest, self.table.torque_nm, engine, low_rpm, high_rpm)

    def lowest(self, engine: IntArray, low_rpm: FloatArray, high_rpm: FloatArray) -> FloatArray:
        """Lowest torque [N m] of engines (E,) between engine speeds (E, K)."""
        return -self._over(self._lowest, -self.table.torque_nm, engine, low_rpm, high_rpm)

    def line_above(
        self, engine: IntArray, low_rpm: FloatArray, high_rpm: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Values (E, K) at both ends of a line above the torque of engines (E,) between engine speeds (E, K).

        The chord, raised by as much as a curve can rise above it whose slope stays between the least and the greatest
        met: two lines of those slopes, one from each end, hold the curve below them and meet highest above the chord.
        """
        places = self.table.torque_nm.shape[1]
        rows = (engine * places)[:, None]
        low, high = low_rpm / self.table.step_rpm, high_rpm / self.table.step_rpm
        at_low, at_high = _linear(self.table.torque_nm, rows, low), _linear(self.table.torque_nm, rows, high)
        first, final = (np.clip(each.astype(np.int64), 0, places - 1) for each in (low, high))
        size = np.frexp(final - first + 1)[1] - 1
        back = final - (1 << size) + 1
        start = size * self.table.torque_nm.size + rows
        steepest, fall = (
            np.maximum(runs.ravel().take(start + first), runs.ravel().take(start + back))
            for runs in (self._steepest, self._steepest_fall)
        )
        flattest = -fall
        width = np.maximum(high_rpm - low_rpm, 1e-9)
        chord = np.clip((at_high - at_low) / width, flattest, steepest)
        spread = np.maximum(steepest - flattest, 1e-12)
        raised = width * (steepest - chord) * (chord - flattest) / spread
        return at_low + raised, at_high + raised

    def _over(
        self, runs: FloatArray, points: FloatArray, engine: IntArray, low_rpm: FloatArray, high_rpm: FloatArray
    ) -> FloatArray:
        # places in the arrays laid flat: far quicker than an index for each axis
        last, rows = points.shape[1] - 1, (engine * points.shape[1])[:, None]
        low, high = low_rpm * (1.0 / self.table.step_rpm), high_rpm * (1.0 / self.table.step_rpm)
        ends = np.maximum(_linear(points, rows, low), _linear(points, rows, high))
        first = np.minimum(np.maximum(np.ceil(low), 0.0), last).astype(np.int64)
        final = np.minimum(np.maximum(high, 0.0), last).astype(np.int64)
        count = final - first + 1
        size = np.frexp(np.maximum(count, 1))[1] - 1
        flat, start = runs.ravel(), size * points.size + rows
        inside = np.maximum(flat.take(start + first), flat.take(start + np.maximum(final - (1 << size) + 1, 0)))
        return np.where(count > 0, np.maximum(ends, inside), ends)


def _runs_of(points: FloatArray) -> FloatArray:
    """Highest of every run of 1, 2, 4 ... points that begins at each point: (levels, E, K)."""
    runs, width = [points], 1
    while 2 * width <= points.shape[1]:
        longer = runs[-1].copy()
        longer[:, :-width] = np.maximum(longer[:, :-width], runs[-1][:, width:])
        runs.append(longer)
        width *= 2
    return np.stack(runs)


def _linear(points: FloatArray, rows: IntArray, place: FloatArray) -> FloatArray:
    """Values between points, flat beyond them; ``rows`` is where each engine's points begin."""
    below = np.minimum(np.maximum(place, 0.0), points.shape[1] - 2).astype(np.int64)
    at, flat = rows + below, points.ravel()
    low = flat.take(at)
    found: FloatArray = low + np.minimum(np.maximum(place - below, 0.0), 1.0) * (flat.take(at + 1) - low)
    return found
