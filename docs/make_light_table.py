#!/usr/bin/env python
"""Make docs/light_accuracy.md: light models against tracked photons, by distance, ice and order.

    python docs/make_light_table.py

The photons are those of tests/data/tracked_fluence; some five minutes on two cores.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from iceopt.light.moments.lifted import LiftedMoments
from iceopt.light.moments.model import LayeredDiffusion, LayeredMoments
from tests.light.moments.tracked_truth import Truth, excess

MODELS = {
    "diffusion": LayeredDiffusion,
    "N = 2": lambda scene: LayeredMoments(scene, 2),
    "N = 3": lambda scene: LayeredMoments(scene, 3),
    "N = 5": lambda scene: LayeredMoments(scene, 5),
    "N = 5, lifted": lambda scene: LiftedMoments(LayeredMoments(scene, 5)),
}
ICES = ("mild", "rough", "green")
HEAD = """# How near the light models are to tracked photons

Made by `docs/make_light_table.py` from `tests/data/tracked_fluence`; what was tracked, and what the orders
are, is in [light.md](light.md). Ice that is invented, in layers of 10 m: mild (le 5-70 m, la 34-166 m),
rough (le 4-70 m, la 30-200 m, each layer by itself), green (la 32-58 m); the models are given the true
layers. Ring emitters, receivers with an acceptance slope of 0.6.
"""
CHARGES = """
## Charges

Rms of ln(model/tracked) beyond the tracking's own noise, which the last column gives, and the median.
"Fails": some charges come out at or below zero from the ringing of the front.
"""
BINS = """
## Time bins

Bins above 10 % of their pair's peak whose own noise is below 5 %, at 120 and 240 m: rms of
ln(model/tracked) beyond noise.
"""


def pairs_of(truth: Truth) -> dict[str, np.ndarray]:
    """Groups of pairs by their distance."""
    r, rho = truth.r, truth.rho
    return {
        "120 m across, r < 130 m": (rho == 120.0) & (r < 130.0),
        "120 m across, 130-200 m": (rho == 120.0) & (r >= 130.0) & (r < 200.0),
        "208 m across, to 300 m": (rho == 207.846) & (r < 300.0),
        "240 m across, to 300 m": (rho == 240.0) & (r < 300.0),
        "300 m across": rho == 300.0,
        "own line, 20-40 m": (rho == 0.0) & (r >= 20.0) & (r < 40.0),
        "own line, 40-80 m": (rho == 0.0) & (r >= 40.0) & (r < 80.0),
        "own line, 80-130 m": (rho == 0.0) & (r >= 80.0) & (r < 130.0),
    }


def cell(charges: np.ndarray, truth: Truth, use: np.ndarray) -> str:
    """Rms beyond noise, and median, of one model and group."""
    if np.any(charges[use] <= 0.0):
        return "fails"
    ratio = np.log(charges[use] / truth.charge[use])
    return f"{excess(ratio, truth.noise[use]):.3f}, {np.median(ratio):+.3f}"


def row(*cells: object) -> str:
    """One row of a table."""
    return "| " + " | ".join(map(str, cells)) + " |"


def main() -> None:
    """Evaluate every model in every ice, and write the page."""
    charges, bins = {}, {}
    for ice in ICES:
        truth = Truth(ice)
        counts = {name: build(truth.scene).expected(truth.ice) for name, build in MODELS.items()}
        for pairs, use in pairs_of(truth).items():
            noise = np.sqrt((truth.noise[use] ** 2).mean())
            cells = [cell(c.sum(axis=1), truth, use) for c in counts.values()]
            charges[pairs, ice] = row(pairs, ice, int(use.sum()), *cells, f"{noise:.3f}")
        bins[ice] = row(ice, *(f"{excess(*truth.bins(c)):.3f}" for c in counts.values()))
        print(ice, flush=True)
    page = [HEAD, CHARGES, row("pairs", "ice", "number", *MODELS, "noise"), row(*["---"] * (len(MODELS) + 4))]
    page += [charges[pairs, ice] for pairs in dict.fromkeys(p for p, _ in charges) for ice in ICES]
    page += [BINS, row("ice", *MODELS), row(*["---"] * (len(MODELS) + 1)), *bins.values()]
    Path(__file__).with_name("light_accuracy.md").write_text("\n".join(page) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
