"""Collisions per second of the photon tracking, per core and on a GPU, and against pmcxcl.

One uniform medium (le 25 m, la 100 m, g 0.9, group index 1.337), an isotropic emitter, photons tracked for
3000 ns. pmcxcl (MCX for OpenCL: Q. Fang, D. A. Boas, Opt. Express 17, 20178 (2009); L. Yu et al., J. Biomed.
Opt. 23, 010504 (2018)) runs where it is installed (iceopt[bench]) and an OpenCL platform is there, for CPUs
the Portable Computing Language, for example: same medium, same number of photons, same time, in a box that
light hardly leaves. It is fastest with coarse voxels, by which its time is taken, and books light up to a
voxel late on its way, so that its fluence is compared with fine ones.
"""

import argparse
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager

from iceopt.threads import set_threads

LE, LA, G, INDEX, STOP_NS = 25.0, 100.0, 0.9, 1.337, 3000.0
DISTANCE_M = 120.0


def ours(photons: int, device: str) -> tuple[float, float, float, float, int]:
    """Fluence at a distance on the emitter's level, its error, seconds, seconds of all cores, collisions."""
    import numpy as np

    from iceopt.ice.layers import Ice
    from iceopt.light.model import Emission
    from iceopt.light.tracking.fluence import fluence
    from iceopt.light.tracking.receivers import Receivers

    receivers = Receivers.grid([0.0], [0.0, DISTANCE_M, 207.846, 240.0], np.arange(-240.0, 241.0, 8.0))
    begun = time.process_time()
    f = fluence(
        Ice([-1, 1], [LE], [LA]),
        [0.0],
        receivers,
        np.arange(0.0, STOP_NS + 1, 25.0),
        group_index=INDEX,
        emission=Emission(),
        phase=G,
        photons=photons,
        seed=1,
        device=device,
    )
    busy = time.process_time() - begun
    i = np.flatnonzero((receivers.distance_m == DISTANCE_M) & (receivers.depth_m == 0))[0]
    return f.charge[i], f.charge_error[i], f.seconds, busy, f.collisions


def theirs(photons: int, voxel_m: int) -> tuple[str, float, float]:
    """Version of pmcxcl and its device, fluence in a shell of the distance, and seconds."""
    import numpy as np
    import pmcxcl

    half = 640 // voxel_m if voxel_m > 4 else 320 // voxel_m
    settings = {
        "nphoton": photons,
        "vol": np.ones((2 * half,) * 3, dtype=np.uint8),
        "prop": [[0, 0, 1, INDEX], [1 / LA, 1 / (LE * (1 - G)), G, INDEX]],  # 1 m is called 1 mm
        "unitinmm": voxel_m,
        "srcpos": [half, half, half],
        "srcdir": [0, 0, 1],
        "srctype": "isotropic",
        "tstart": 0.0,
        "tend": STOP_NS * 1e-12,
        "tstep": STOP_NS * 1e-12,
        "isreflect": 0,
        "outputtype": "fluence",
        "autopilot": 1,
        "gpuid": 1,
        "seed": 1,
    }
    with silence():
        device = pmcxcl.gpuinfo()[0]["name"]
        begun = time.perf_counter()
        flux = np.asarray(pmcxcl.run(settings)["flux"])
        seconds = time.perf_counter() - begun
    flux = flux.reshape((2 * half,) * 3, order="F")
    centre = (np.arange(2 * half) + 0.5 - half) * voxel_m
    r = np.sqrt(centre[:, None, None] ** 2 + centre[:, None] ** 2 + centre**2)
    # Far from the source r x fluence falls exponentially: read the mean of thin shells off at the distance.
    middle = DISTANCE_M + np.array([-8.0, 0.0, 8.0])
    mean = [flux[abs(r - m) < 4].mean() * m for m in middle]
    return f"pmcxcl {pmcxcl.__version__} on {device}", float(np.prod(mean) ** (1 / 3) / DISTANCE_M), seconds


@contextmanager
def silence() -> Iterator[None]:
    """Keep a library's own banners off the screen."""
    kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    try:
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nowhere)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photons", type=int, default=200_000)
    parser.add_argument("--gpu-photons", type=int, default=100_000_000)
    parser.add_argument("--threads", type=int)
    given = parser.parse_args()
    threads = set_threads(given.threads)
    ours(64, "cpu")  # compile
    value, error, seconds, busy, collisions = ours(given.photons, "cpu")
    rate = collisions / seconds
    print(f"iceopt, {threads} threads: {given.photons} photons, {collisions:.4g} collisions")
    print(f"  {seconds:.2f} s, {rate:.3g} collisions/s, {collisions / busy:.3g} per second of a core at work")
    print(f"  fluence at {DISTANCE_M:g} m: {value:.4g} +- {error:.1g} /m2")
    from iceopt.light.tracking.fluence import gpu_available

    if gpu_available():
        ours(6400, "gpu")
        value, error, gpu_seconds, _, collisions = ours(given.gpu_photons, "gpu")
        print(f"iceopt on the GPU: {given.gpu_photons} photons, {gpu_seconds:.2f} s")
        print(f"  {collisions / gpu_seconds:.3g} collisions/s; fluence {value:.4g} +- {error:.1g} /m2")
    try:
        name, _, their_seconds = theirs(given.photons, voxel_m=8)
        _, other, fine_seconds = theirs(given.photons, voxel_m=2)
    except (ImportError, RuntimeError, IndexError) as reason:
        print(f"pmcxcl: not compared ({reason})")
        return
    print(
        f"{name}: {given.photons} photons in {their_seconds:.2f} s (in voxels of 2 m: {fine_seconds:.2f} s)"
    )
    print(f"  fluence at {DISTANCE_M:g} m: {other:.4g} /m2; ratio to ours {other / value:.3f}")
    print(f"  time, pmcxcl / iceopt: {their_seconds / seconds:.2f}")


if __name__ == "__main__":
    main()
