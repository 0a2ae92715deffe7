"""How often the region that calibration states holds the truth: ``python -m tests.benchmarks.coverage`` prints JSON.

Cars, days and noise are drawn from what is known beforehand; runs and coast-downs are integrated by ordinary solvers.
The stated 90 % region should hold the truth in 85 to 95 % of 200 draws, whatever the noise of the log.
"""

from __future__ import annotations

import json
import sys

import numpy as np
from scipy.special import chdtri

from tests.calibration.coverage import KINDS, distance

DRAWS = 200
NOISE = {
    "as expected": (0.05, 0.05, 4.0),
    "a good receiver": (0.02, 0.01, 3.0),
    "a smooth receiver": (0.01, 0.08, 8.0),
    "all new": (0.10, 0.0, 1.0),
    "rough": (0.15, 0.15, 6.0),
}
"""Noise of single samples, of what lasts [m/s], and how long it lasts [s]."""


def share(kind: str, noise: tuple[float, float, float], draws: int) -> dict[str, float]:
    """Share of draws within the 90 % and the 50 % region."""
    squares = np.array([distance(seed, kind, noise) for seed in range(draws)])
    return {f"{stated:.0%}": float((squares < chdtri(len(KINDS[kind]), 1 - stated)).mean()) for stated in (0.9, 0.5)}


def main() -> None:
    """Print what share of the truths each stated region holds."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else DRAWS
    found = {f"coast-downs, noise {name}": share("coast-downs", noise, draws) for name, noise in NOISE.items()}
    for kind in ("timed runs", "run log", "all"):
        found[kind] = share(kind, NOISE["as expected"], draws)
    print(json.dumps({"draws": draws, "within": found}, indent=2))


if __name__ == "__main__":
    main()
