"""What the light says of its own error, against photons tracked close to their emitter, on its own line.

The photons are those of tests/data/tracked_fluence/near.py, 17 to 68 m above and below ring emitters in two
ices.
"""

from itertools import pairwise

import numpy as np
import pytest

from iceopt.light.closed_form import path_fractions
from iceopt.light.moments.lifted import best_moments
from tests.data.tracked_fluence.recipe import ICES
from tests.light.moments.scenes import BINS_NS, RING, make_scene
from tests.light.moments.tracked_truth import OWN, SLOPE

SINCE_NS = (0.0, 30.0, 60.0, 120.0, 200.0, 400.0, 800.0)


@pytest.fixture(scope="module")
def windows():
    """Scattering lengths from emitter to receiver, ln(model / tracked) of parts of the profile, noise, error.

    Shapes (pair,), then (pair, window); windows of time since the straight flight, NaN where no light came.
    """
    data, found = np.load(OWN / "near.npz"), []
    for name in ("mild", "rough"):
        ice = ICES[name]()
        emitter, receiver = data[f"{name}_emitter_m"], data[f"{name}_receiver_m"]
        truth = data[f"{name}_fluence"] - SLOPE * data[f"{name}_moment_z"]
        scene = make_scene(emitter, receiver, 0.0, emission=RING, slope=SLOPE)
        counts, stated = best_moments(scene, 5).expected_and_error(ice)
        mean = path_fractions(emitter, receiver, ice) @ (1.0 / ice.scattering_length_m)
        since = 0.5 * (BINS_NS[1:] + BINS_NS[:-1]) - (scene.range_m / scene.speed_m_per_ns)[:, None]
        inside = [(since >= low) & (since < high) for low, high in pairwise(SINCE_NS)]

        def part(of, inside=inside):
            return np.stack([(of * w).sum(axis=1) for w in inside], axis=1)

        with np.errstate(divide="ignore", invalid="ignore"):
            share = part(truth) / truth.sum(axis=1, keepdims=True)
            off = np.log(part(counts) / counts.sum(axis=1, keepdims=True) / share)
            noise = np.sqrt(part(data[f"{name}_error"] ** 2)) / part(truth)
            error = part(stated * counts) / part(counts)
        known = np.isfinite(off) & (noise < 0.5)
        found.append((scene.range_m * mean, *(np.where(known, x, np.nan) for x in (off, noise, error))))
    return tuple(np.concatenate(values) for values in zip(*found, strict=True))


@pytest.mark.parametrize(("least", "most"), [(0.0, 0.8), (0.8, 1.5), (1.5, 3.0), (3.0, 9.0)])
def test_near_the_emitter_profiles_are_no_worse_than_stated(windows, least, most):
    # An error of 1 says that nothing is known; larger ones are no worse. 0.03: noise of means of many pairs.
    lengths, off, noise, stated = windows
    here = (lengths >= least) & (lengths < most)
    assert here.sum() > 10
    for window in range(len(SINCE_NS) - 1):
        wrong = np.minimum(off[here, window] ** 2, 1.0) - noise[here, window] ** 2
        assert np.nanmean(wrong) < np.nanmean(stated[here, window] ** 2) + 0.03**2
