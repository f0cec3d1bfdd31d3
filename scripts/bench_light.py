"""Time the layered light model: expected counts and gradients of a campaign, and of a large array.

The campaign is ../shared/campaigns/skarv_2031 (65 flashes) where it is there, else sample_runs/skarv_demo, in
invented layers of 10 m; one core, after a run that compiles. With --array instead an invented array of 80
lines x 64 modules on regular depths, in which every module flashes and all within 260 m across and 250 m in
depth see it. With --tracking, photons are tracked for a while, and the time is told in which charges at 120 m
would be as good as order 5.
"""

import argparse
import json
import resource
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from iceopt.threads import set_threads

if TYPE_CHECKING:
    from iceopt.ice.layers import Ice

REPOSITORY = Path(__file__).resolve().parents[1]
FULL = REPOSITORY.parent / "shared/campaigns/skarv_2031"
DEMO = REPOSITORY / "sample_runs/skarv_demo"


def seconds(run: Callable[[], object], repeats: int) -> float:
    """Least core time of some runs, after one that compiles: others on the machine matter little."""
    run()
    took = []
    for _ in range(repeats):
        begun = time.process_time()
        run()
        took.append(time.process_time() - begun)
    return min(took)


def layers() -> "Ice":
    """84 layers of 10 m, invented."""
    import numpy as np

    from iceopt.ice.layers import Ice

    told = json.loads((REPOSITORY / "tests/data/tracked_fluence/layers.json").read_text())
    return Ice(*(np.array(told[k]) for k in ("edges_m", "scattering_length_m", "absorption_length_m")))


def campaign(orders: list[int], repeats: int) -> None:
    """Expected counts and gradients of the campaign."""
    import numpy as np

    from iceopt.campaign.read import read_campaign
    from iceopt.light.closed_form import ClosedForm
    from iceopt.light.moments.model import LayeredDiffusion, LayeredMoments
    from iceopt.light.scene import scene_of

    folder = FULL if FULL.exists() else DEMO
    scene, ice = scene_of(read_campaign(folder)), layers()
    pairs, bins = scene.distance_m.size, scene.bin_edges_ns.size - 1
    print(f"{folder.name}: {pairs} pairs x {bins} bins, {ice.layers} layers; seconds, one core")
    closed = seconds(lambda: ClosedForm(scene).expected(ice), repeats)
    print(f"  {'closed form':28s} {closed:8.4f}    {1e6 * closed / pairs:8.1f} us a pair")
    models = [LayeredDiffusion(scene)] + [LayeredMoments(scene, n) for n in orders]
    for model in models:
        once = 1 if model.order > 3 else repeats
        value = seconds(lambda m=model: m.expected(ice), once)
        both = seconds(lambda m=model: m.expected_vjp(ice)[1](np.ones((pairs, bins))), once)
        print(
            f"  {model.name:28s} {value:8.4f}    {1e6 * value / pairs:8.1f} us a pair, "
            f"{value / closed:6.1f} x closed form; with gradient {both:8.4f} ({both / value:.1f} x)",
            flush=True,
        )


def array(orders: list[int], lines: int, modules: int) -> None:
    """Every module of an array flashes, all others see it."""
    import numpy as np

    from iceopt.light.model import Emission, Scene
    from iceopt.light.moments.model import LayeredDiffusion, LayeredMoments

    # A triangular lattice, 125 m apart, cut to the lines nearest to its middle.
    i, j = (a.ravel() for a in np.mgrid[-12:13, -12:13])
    place = 125.0 * np.stack([i + 0.5 * j, np.sqrt(0.75) * j])
    place = place[:, np.argsort(np.hypot(*place), kind="stable")[:lines]]
    depth = 1450.0 + 12.0 * np.arange(modules)
    at = np.arange(lines * modules)
    line, level = at // modules, at % modules
    near = np.hypot(*(place[:, :, None] - place[:, None, :])) < 260.0
    a, b = np.nonzero(near[line][:, line] & (np.abs(level[:, None] - level) * 12.0 < 250.0))
    a, b = a[a != b], b[a != b]
    across = place[:, line[b]] - place[:, line[a]]
    scene = Scene(
        emitter_depth_m=depth[level[a]],
        receiver_depth_m=depth[level[b]],
        distance_m=np.round(np.hypot(*across), 3),
        bearing_deg=np.zeros(a.size),
        azimuth_deg=np.full(a.size, np.nan),
        photons=np.full(a.size, 1e10),
        bin_edges_ns=np.arange(0.0, 3001.0, 25.0),
        emission=Emission("ring", 0.0, 12.0),
        group_index=1.337,
        scattering_anisotropy=0.9,
        effective_area_m2=0.003,
        acceptance_slope=0.6,
    )
    print(
        f"array: {lines} lines x {modules} modules, {a.size} ordered pairs x 120 bins; seconds on the clock"
    )
    ice = layers()
    for make in [LayeredDiffusion] + [lambda s, n=n: LayeredMoments(s, n) for n in orders]:
        begun = time.perf_counter()
        model = make(scene)
        planned = time.perf_counter() - begun
        model.expected(ice)
        begun = time.perf_counter()
        model.expected(ice)
        value = time.perf_counter() - begun
        print(f"  {model.name:28s} {value:8.2f}, planned once in {planned:.2f}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"  most memory of the process: {peak:.1f} GiB")


def tracking(photons: int) -> None:
    """Seconds of tracking for an error of 0.5 % of a charge, from a short run."""
    import numpy as np

    from iceopt.light.model import Emission
    from iceopt.light.tracking.fluence import fluence
    from iceopt.light.tracking.receivers import Receivers

    ice = layers()
    receivers = Receivers.grid([1700.0], [120.0], np.arange(1500.0, 1901.0, 16.0), within_m=200.0)
    begun = time.process_time()
    f = fluence(
        ice, [1700.0], receivers, np.arange(0.0, 3001.0, 25.0), group_index=1.337,
        emission=Emission("ring", 0.0, 12.0), phase=0.9, photons=photons, seed=1, device="cpu",
    )  # fmt: skip
    took = time.process_time() - begun
    error = float(np.median(f.charge_error / f.charge))
    needed = took * (error / 0.005) ** 2
    print(
        f"tracking: {photons} photons of one emitter in {took:.1f} s, error {error:.3f} at 120 m; "
        f"0.005 (as order 5) would take {needed:.0f} s an emitter, {65 * needed:.0f} s for 65"
    )


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--orders", type=int, nargs="*", default=[2, 3, 5])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--array", action="store_true", help="the array too; give --threads 2")
    parser.add_argument("--lines", type=int, default=80)
    parser.add_argument("--tracking", type=int, default=0, metavar="PHOTONS", help="track too")
    given = parser.parse_args()
    set_threads(given.threads)
    if given.array:
        array([n for n in given.orders if n < 3], given.lines, 64)
        return
    campaign(given.orders, given.repeats)
    if given.tracking:
        tracking(given.tracking)


if __name__ == "__main__":
    main()
