"""How leds.npz beside this file was made: single LEDs in two of the ices, seen from five bearings.

    python tests/data/tracked_fluence/leds.py OUT.npz --device gpu

On a GPU some four minutes; give --photons 500000 on a CPU. LEDs point level, 12 degrees wide; the bins are
those of receivers with an acceptance slope of 0.6.
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[3]))

from iceopt.light.model import Emission
from iceopt.light.tracking.receivers import Receivers
from tests.data.tracked_fluence.recipe import mild, rough, shine

LED = Emission("single", 0.0, 12.0)
EMITTERS_M = (1504.0, 1640.0, 1776.0, 1920.0)
DISTANCES_M = (40.0, 80.0, 120.0, 207.846, 240.0)
BEARINGS_DEG = (0.0, 45.0, 90.0, 135.0, 180.0)
SLOPE = 0.6
OFFSETS_M = tuple(np.arange(-120.0, 121.0, 30.0))


def receivers_of(emitter_m: float) -> Receivers:
    """All distances, bearings and offsets in depth of one emitter."""
    grid = np.meshgrid(DISTANCES_M, BEARINGS_DEG, OFFSETS_M, indexing="ij")
    distance, bearing, offset = (a.ravel() for a in grid)
    return Receivers(np.zeros(distance.size, dtype=np.int64), distance, emitter_m + offset, bearing)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("output", type=Path)
    parser.add_argument("--device", default="gpu")
    parser.add_argument("--photons", type=int, default=100_000_000)
    given = parser.parse_args()
    shape = (len(EMITTERS_M), len(DISTANCES_M), len(BEARINGS_DEG), len(OFFSETS_M))
    kept: dict[str, np.ndarray] = {}
    for name, make in (("mild", mild), ("rough", rough)):
        found = [
            shine(make(), [emitter], receivers_of(emitter), given.device, given.photons, 700 + number, LED)
            for number, emitter in enumerate(EMITTERS_M)
        ]
        h0, h1 = (np.stack([getattr(f, key) for f in found]).reshape(*shape, -1) for key in ("h0", "h1"))
        error = np.stack([f.charge_error for f in found]).reshape(shape)
        here = {
            "charge": h0.sum(axis=-1),
            "moment": h1.sum(axis=-1),
            "relerr": error / h0.sum(axis=-1),
            "bins_120m": (h0 - SLOPE * h1)[:, DISTANCES_M.index(120.0)],
        }
        kept |= {f"{name}_{key}": values.astype(np.float32) for key, values in here.items()}
        print(name, [f"{f.seconds:.0f} s" for f in found], flush=True)
    np.savez_compressed(given.output, **kept)
