"""Cut full fluence files down to what the default tests carry: all charges, and the bins of a few receivers.

    python tests/data/tracked_fluence/excerpt.py IN.npz OUT.npz

The grids are those of the JSON beside IN.npz, in which every third depth and every second distance keeps its
bins, for up to three emitters.
"""

import json
import sys
from pathlib import Path

import numpy as np

source, target = map(Path, sys.argv[1:3])
full = np.load(source)
settings = json.loads(source.with_suffix(".json").read_text())
emitters = full["fluence"].shape[0]
emitter = np.unique(np.linspace(0, emitters - 1, 5, dtype=int)[1:4]) if emitters > 1 else np.array([0])
distance = np.array([1, 3])
depth = np.arange(1, full["fluence"].shape[2], 3)
bins = np.ix_(emitter, distance, depth)
kept = {
    "charge": full["fluence"].sum(axis=-1),
    "moment": full["moment_z"].sum(axis=-1),
    "relerr": full["relerr"],
    "fluence": full["fluence"][bins],
    "moment_z": full["moment_z"][bins],
    "bins_emitter": emitter,
    "bins_distance": distance,
    "bins_depth": depth,
}
if emitters > 10:  # the charges of these emitters only
    kept |= {name: kept[name][emitter] for name in ("charge", "moment", "relerr")}
    settings["emitter_depth_m"] = [settings["emitter_depth_m"][i] for i in emitter]
    kept["bins_emitter"] = np.arange(emitter.size)
np.savez_compressed(target, **kept)
target.with_suffix(".json").write_text(json.dumps(settings))
