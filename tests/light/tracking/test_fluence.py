"""Tracked fluence against exact facts, closed forms and other solutions of transport."""

import math
import os
import subprocess
import sys

import numpy as np
import pytest

from iceopt.errors import DomainError, IceoptError
from iceopt.ice.layers import Ice
from iceopt.light.model import SPEED_OF_LIGHT_M_PER_NS, Emission
from iceopt.light.tracking.fluence import Fluence, fluence, gpu_available
from iceopt.light.tracking.receivers import Receivers
from iceopt.light.tracking.tables import tabulated_directions
from tests.light.tracking import paasschens

INDEX = 1.337
SPEED = SPEED_OF_LIGHT_M_PER_NS / INDEX


def uniform_ice(le: float, la: float) -> Ice:
    return Ice([1000, 2000], [le], [la])


def track(ice: Ice, receivers: Receivers, edges: np.ndarray, photons: int, **changes: object) -> Fluence:
    given = {"group_index": INDEX, "emission": Emission(), "seed": 1} | changes
    return fluence(ice, [1500.0], receivers, edges, photons=photons, **given)


def everywhere(half_m: float = 1e5) -> Receivers:
    one = np.zeros(1)
    return Receivers(one.astype(int), one, one + 1500.0, one * np.nan, half_m, half_m)


def test_fluence_over_all_space_and_time_is_the_absorption_length() -> None:
    # Exact: every photon's path, weighted by what survives, has length la.
    receivers = everywhere()
    edges = np.linspace(0, 40 * 5 / SPEED, 11)
    f = track(uniform_ice(10, 5), receivers, edges, 100_000)
    error = f.charge_error[0] * receivers.volume_m3[0]
    assert f.charge[0] * receivers.volume_m3[0] == pytest.approx(5, abs=4 * error)
    assert error < 0.02
    # and in each bin of time the part of it that a straight path gives, for weights do not know of turns
    exact = -5 * np.diff(np.exp(-edges * SPEED / 5))
    pull = (f.h0[0] * receivers.volume_m3[0] - exact) / (f.h0_error[0] * receivers.volume_m3[0])
    assert abs(pull).max() < 4


def test_the_vertical_moment_over_all_space_is_that_of_the_first_direction() -> None:
    # Exact: the mean cosine after a path s is the first one times exp(-s/le), so H1 integrates to
    # u / (1/la + 1/le).
    receivers = everywhere()
    f = track(
        uniform_ice(10, 5),
        receivers,
        np.array([0, 40 * 5 / SPEED]),
        100_000,
        emission=Emission("ring", -30, 1e-9),
    )
    exact = 0.5 / (1 / 5 + 1 / 10)
    error = f.moment_error[0] * receivers.volume_m3[0]
    assert f.moment[0] * receivers.volume_m3[0] == pytest.approx(exact, abs=4 * error)
    assert error < 0.01 * exact


def test_isotropic_scattering_against_paasschens() -> None:
    # Paasschens, Phys. Rev. E 56, 1135 (1997), equation for three dimensions (from memory): scattered light
    # a few percent accurate beyond a free path. Time bins behind the ballistic front only.
    free_path, r = 20.0, np.array([40.0, 60.0])
    edges = np.arange(0.0, 1201.0, 50.0)
    receivers = Receivers.grid([1500.0], r, [1500.0])
    f = track(uniform_ice(free_path, 1e6), receivers, edges, 2_000_000, phase=0.0)
    for i, distance in enumerate(r):
        exact = paasschens.scattered(distance, free_path, edges, SPEED)
        late = edges[:-1] * SPEED > distance + 4
        ratio = f.h0[i, late] / exact[late]
        error = f.h0_error[i, late] / exact[late]
        assert np.average(ratio, weights=error**-2) == pytest.approx(1, abs=0.02)
        assert (abs(ratio - 1) < 0.05 + 4 * error).all()


def test_late_light_diffuses() -> None:
    # Patterson, Chance, Wilson, Appl. Opt. 28, 2331 (1989): the density of a pulsed point source, with
    # D = v le/3. After s = 130 le, transport differs from it by about le/s.
    le, la, r = 5.0, 60.0, np.array([0.0, 30.0, 60.0])
    edges = np.arange(2000.0, 3001.0, 250.0)
    receivers = Receivers.grid([1500.0], r, [1500.0])
    f = track(uniform_ice(le, la), receivers, np.concatenate(([0.0], edges)), 200_000, phase=0.5)
    t = np.linspace(2000, 3000, 401).reshape(-1)
    t = 0.5 * (t[1:] + t[:-1])
    for i, distance in enumerate(r):
        width = 4 * SPEED * le / 3 * t
        density = (np.pi * width) ** -1.5 * np.exp(-(distance**2) / width - SPEED * t / la)
        exact = (SPEED * density).reshape(4, 100).mean(axis=1) * 250
        late, error = f.h0[i, 1:].sum(), math.hypot(*f.h0_error[i, 1:])
        assert late == pytest.approx(exact.sum(), abs=0.02 * exact.sum() + 3 * error)


def test_unscattered_light_of_a_point() -> None:
    # Exact: exp(-r/l - r/la)/(4 pi r^2), in a medium that hardly scatters; the ring's mean of it.
    receivers = Receivers.grid([1500.0], [30.0], [1500.0])
    f = track(uniform_ice(2e3, 50.0), receivers, np.array([0.0, 32.5 / SPEED]), 6_000_000, phase=0.0)
    rho, weight = np.polynomial.legendre.leggauss(8)
    rho = 30 + 2 * rho
    z = 2 * np.polynomial.legendre.leggauss(8)[0]
    rr, zz = np.meshgrid(rho, z)
    r = np.hypot(rr, zz)
    share = np.outer(weight, weight) * rr
    exact = (np.exp(-r / 50 - r / 2e3) / (4 * np.pi * r**2) * share).sum() / share.sum()
    assert f.charge[0] == pytest.approx(exact, abs=4 * f.charge_error[0])
    assert f.charge_error[0] < 0.06 * exact


def test_layers_are_mirrored_exactly() -> None:
    # Turn the ice upside down: the same fluence, the opposite vertical moment.
    le, la = [8.0, 30.0, 4.0, 50.0], [40.0, 100.0, 30.0, 150.0]
    edges = np.arange(0.0, 1501.0, 100.0)
    depth = np.array([1470.0, 1500.0, 1530.0])
    up = track(
        Ice([1400, 1480, 1500, 1515, 1600], le, la), Receivers.grid([1500.0], [30.0], depth), edges, 100_000
    )
    down = track(
        Ice([1400, 1485, 1500, 1520, 1600], le[::-1], la[::-1]),
        Receivers.grid([1500.0], [30.0], depth),
        edges,
        100_000,
        seed=2,
    )
    pull = (up.charge - down.charge[::-1]) / np.hypot(up.charge_error, down.charge_error[::-1])
    assert abs(pull).max() < 4
    pull = (up.moment + down.moment[::-1]) / np.hypot(up.moment_error, down.moment_error[::-1])
    assert abs(pull).max() < 4


def test_cutting_a_layer_in_two_changes_nothing() -> None:
    edges, receivers = np.arange(0.0, 1001.0, 50.0), Receivers.grid([1500.0], [20.0], [1480.0, 1510.0])
    whole = track(uniform_ice(15, 60), receivers, edges, 20_000)
    cut = track(Ice([1000, 1490, 1500, 1503, 2000], [15] * 4, [60] * 4), receivers, edges, 20_000)
    assert cut.collisions == whole.collisions
    assert cut.charge == pytest.approx(whole.charge, rel=1e-9)


def test_one_led_shines_ahead_and_the_mean_over_bearings_is_the_ring() -> None:
    ice, edges = uniform_ice(25, 80), np.arange(0.0, 1501.0, 100.0)

    def towards(bearing: np.ndarray) -> Receivers:
        n = bearing.size
        return Receivers(np.zeros(n, dtype=int), np.full(n, 40.0), np.full(n, 1510.0), bearing)

    ahead = np.arange(0.0, 360.0, 5.0)
    led = Emission("single", 0, 12)
    one = track(ice, towards(ahead), edges, 100_000, emission=led)
    ring = track(
        ice,
        Receivers.grid([1500.0], [40.0], [1510.0]),
        edges,
        100_000,
        emission=Emission("ring", 0, 12),
        seed=2,
    )
    assert one.charge[0] > 3 * one.charge[ahead == 180][0]
    # All bearings are scored from the same photons, whose weights add up to those of the ring.
    error = math.hypot(ring.charge_error[0], ring.charge_error[0])
    assert one.charge.mean() == pytest.approx(ring.charge[0], abs=4 * error)
    assert one.moment.mean() == pytest.approx(ring.moment[0], abs=4 * math.sqrt(2) * ring.moment_error[0])
    few = track(ice, towards(ahead), edges, 3200, emission=led)
    for same in (-ahead, ahead + 360):
        assert track(ice, towards(same), edges, 3200, emission=led).charge == pytest.approx(
            few.charge, rel=1e-9
        )


def test_a_tabulated_pattern_equals_the_built_in_one() -> None:
    ice, edges = uniform_ice(25, 80), np.arange(0.0, 1501.0, 100.0)
    receivers = Receivers.grid([1500.0], [20.0, 40.0], [1480.0, 1500.0, 1520.0])
    # A normal density in elevation is, per solid angle, that density over the cosine.
    elevation = np.linspace(-60, 80, 1401)
    intensity = np.exp(-0.5 * ((elevation - 10) / 12) ** 2) / np.cos(np.deg2rad(elevation))
    table = track(ice, receivers, edges, 20_000, emission=tabulated_directions(elevation, intensity))
    built = track(ice, receivers, edges, 20_000, emission=Emission("ring", 10, 12), seed=2)
    pull = (table.charge - built.charge) / np.hypot(table.charge_error, built.charge_error)
    assert (pull**2).sum() < 6 + 4 * math.sqrt(12)


def test_errors_are_those_of_repeated_runs() -> None:
    receivers, edges = Receivers.grid([1500.0], [30.0], [1500.0]), np.array([0.0, 500.0, 1500.0])
    runs = [track(uniform_ice(25, 80), receivers, edges, 6400, seed=s) for s in range(40)]
    charges, moments = np.array([r.charge[0] for r in runs]), np.array([r.moment[0] for r in runs])
    # The spread of 40 runs is known to 11 %.
    assert charges.std(ddof=1) == pytest.approx(np.mean([r.charge_error[0] for r in runs]), rel=0.4)
    assert moments.std(ddof=1) == pytest.approx(np.mean([r.moment_error[0] for r in runs]), rel=0.4)


RUN = """
import numpy as np
from iceopt.threads import set_threads
set_threads({threads})
from iceopt.ice.layers import Ice
from iceopt.light.model import Emission
from iceopt.light.tracking.fluence import fluence
from iceopt.light.tracking.receivers import Receivers
ice, ring = Ice([0, 50, 100], [20, 5], [50, 80]), Receivers.grid([50.0], [0.0, 10.0], [46.0, 54.0])
led = Receivers(ring.emitter, ring.distance_m, ring.depth_m, np.array([0.0, 60.0, -150.0, 180.0]))
one, other = (fluence(ice, [50.0], receivers, np.arange(0, 501, 25.0), group_index=1.337,
    emission=Emission(pattern, 5, 12), photons={photons}, seed=3, device={device!r})
    for pattern, receivers in (("ring", ring), ("single", led)))
h0, charge = np.concatenate((one.h0, other.h0)), np.concatenate((one.charge, other.charge))
print(one.collisions + other.collisions, h0.tobytes().hex() if {exact} else repr(charge.tolist()))
"""


def run_elsewhere(environment: dict[str, str], **words: object) -> str:
    done = subprocess.run(
        [sys.executable, "-c", RUN.format(**words)],
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


def test_the_numbers_do_not_depend_on_the_threads() -> None:
    one, two = (run_elsewhere({}, threads=n, photons=640, device="cpu", exact=True) for n in (1, 2))
    assert one == two


def test_the_cuda_kernel_in_its_simulator_gives_the_numbers_of_the_cpu() -> None:
    words = {"threads": 1, "photons": 64, "exact": False}
    cpu = run_elsewhere({}, device="cpu", **words).split(maxsplit=1)
    gpu = run_elsewhere({"NUMBA_ENABLE_CUDASIM": "1", "NUMBA_DISABLE_JIT": "1"}, device="gpu", **words)
    assert gpu.split(maxsplit=1)[0] == cpu[0]
    assert np.array(eval(gpu.split(maxsplit=1)[1])) == pytest.approx(np.array(eval(cpu[1])), rel=1e-9)


@pytest.mark.skipif(not gpu_available(), reason="no CUDA device")
def test_the_gpu_tracks_the_photons_of_the_cpu() -> None:
    ice = Ice([1400, 1480, 1500, 1515, 1600], [8, 30, 4, 50], [40, 100, 30, 150])
    receivers, edges = Receivers.grid([1500.0], [0, 30, 60], [1470, 1500, 1530]), np.arange(0, 1501, 50.0)
    cpu, gpu = (track(ice, receivers, edges, 100_000, device=d) for d in ("cpu", "gpu"))
    assert gpu.collisions == cpu.collisions
    assert gpu.charge == pytest.approx(cpu.charge, rel=1e-9)
    assert gpu.charge_error == pytest.approx(cpu.charge_error, rel=1e-6)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"photons": 0}, "number of photons is 0"),
        ({"batches": 1}, "number of batches is 1"),
        ({"seed": -1}, "seed is -1"),
        ({"group_index": 0.9}, "group index is 0.9"),
        ({"phase": 1.5}, "mean cosine"),
        ({"device": "abacus"}, "expected 'cpu' or 'gpu'"),
        ({"emission": Emission("single", 0, 12)}, "bearing"),
        ({"edges": np.array([0.0, 0.0])}, "increasing times"),
        ({"edges": np.array([-50.0, -25.0])}, "no light comes before 0 ns"),
    ],
)
def test_bad_arguments_are_refused(changes: dict, words: str) -> None:
    given = {"photons": 64, "edges": np.array([0.0, 100.0])} | changes
    with pytest.raises(DomainError, match=words):
        track(uniform_ice(25, 80), Receivers.grid([1500.0], [30.0], [1500.0]), **given)


@pytest.mark.skipif(gpu_available(), reason="there is a CUDA device")
def test_a_missing_gpu_is_named() -> None:
    with pytest.raises(IceoptError, match="no CUDA device"):
        track(uniform_ice(25, 80), everywhere(), np.array([0.0, 100.0]), 64, device="gpu")


def test_bad_receivers_are_refused() -> None:
    one = np.zeros(1)
    with pytest.raises(DomainError, match="one length"):
        Receivers(one.astype(int), one, np.zeros(2), one)
    with pytest.raises(DomainError, match="distance is -1 m"):
        Receivers(one.astype(int), one - 1, one, one)
    with pytest.raises(DomainError, match="must be finite"):
        Receivers(one.astype(int), one, one + np.inf, one)
    with pytest.raises(DomainError, match="there are 1"):
        fluence(
            uniform_ice(25, 80),
            [1500.0],
            Receivers(one.astype(int) + 1, one, one, one * np.nan),
            [0, 100],
            group_index=INDEX,
            emission=Emission(),
            photons=64,
            seed=1,
        )
