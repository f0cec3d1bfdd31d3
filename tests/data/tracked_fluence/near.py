"""How near.npz beside this file was made: photons close to emitters, on their own lines, in two of the ices.

    python tests/data/tracked_fluence/near.py OUT.npz

takes some ten minutes on one core. Emitters, seeds and offsets are those of `RUNS`; settings of `recipe.py`.
"""

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[3]))

from iceopt.light.tracking.receivers import Receivers
from tests.data.tracked_fluence.recipe import mild, rough, shine

PHOTONS, SEED = 4_000_000, 900
RUNS = {
    "mild": (mild, (1504.0, 1640.0, 1704.0, 1848.0, 1920.0, 1992.0), (17.0, 34.0, 51.0, 68.0)),
    "rough": (rough, (1504.0, 1640.0, 1704.0, 1848.0), (25.0, 34.0, 42.0, 51.0)),
}

if __name__ == "__main__":
    kept: dict[str, np.ndarray] = {}
    for name, (make, emitters, offsets) in RUNS.items():
        for number, emitter in enumerate(emitters):
            depths = emitter + np.sort(np.concatenate([np.negative(offsets), offsets]))
            receivers = Receivers.grid([emitter], [0.0], depths)
            found = shine(make(), [emitter], receivers, "cpu", PHOTONS, SEED + number)
            here = {
                "emitter_m": np.full(depths.size, emitter),
                "receiver_m": receivers.depth_m,
                "fluence": found.h0.astype(np.float32),
                "moment_z": found.h1.astype(np.float32),
                "error": found.h0_error.astype(np.float32),
            }
            for key, values in here.items():
                full = f"{name}_{key}"
                kept[full] = np.concatenate([kept[full], values]) if full in kept else values
    np.savez_compressed(sys.argv[1], **kept)
