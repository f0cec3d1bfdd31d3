"""Compile in a second process what a first fit needs later, while it compiles itself what it needs now.

numba compiles one function at a time in a process, and keeps what it has compiled on the disk for all. What
is compiled here takes as long as the rest: on two cores a first fit begins half a minute sooner.
"""

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np

from iceopt.ice.layers import Ice
from iceopt.light.model import Emission, Scene
from iceopt.light.moments import adjoint, jacobian, sweep
from iceopt.light.moments.carried import CarriedProfile
from iceopt.light.moments.laplace import RATES_PER_NS, LaplaceMoments
from iceopt.light.moments.model import LayeredMoments

_KERNELS = (sweep.transform_one, jacobian.slopes_of_one, adjoint.pull_back_one)
_ORDER = 5
"""Any will do: the kernels are compiled once for all orders."""


def compile_ahead() -> subprocess.Popen[bytes] | None:
    """Start compiling, if that is to be done; nobody need wait for the process that is returned."""
    if all(map(_compiled, _KERNELS)):
        return None
    return subprocess.Popen(
        [sys.executable, "-m", __name__],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def _compiled(kernel: Any) -> bool:
    """Whether the disk holds a kernel; that it is of this source and this processor only numba can tell."""
    folder = kernel.stats.cache_path
    return folder is not None and any(Path(folder).glob(f"*.{kernel.py_func.__name__}-*.nbi"))


def compile_now() -> None:
    """Run on two pairs what a fit needs: time bins, slopes, carried light, gradients.

    Bins first: they take longest, and a fit that has compiled its likelihood meanwhile needs them next.
    """
    scene = Scene(
        emitter_depth_m=np.full(2, 10.0),
        receiver_depth_m=np.array([20.0, 30.0]),
        distance_m=np.array([50.0, 60.0]),
        bearing_deg=np.zeros(2),
        azimuth_deg=np.full(2, np.nan),
        photons=np.ones(2),
        bin_edges_ns=np.array([0.0, 100.0, 200.0]),
        emission=Emission(),
        group_index=1.35,
        scattering_anisotropy=0.9,
        effective_area_m2=1.0,
        acceptance_slope=0.0,
    )
    ice = Ice([0.0, 15.0, 40.0], [20.0, 30.0], [80.0, 100.0])
    light = LayeredMoments(scene, _ORDER).expected(ice)
    moments = LaplaceMoments(scene, _ORDER, RATES_PER_NS)
    moments.log_slopes(ice)
    _, pull_back = CarriedProfile(moments, "", ice, light, np.zeros_like(light)).expected_vjp(ice)
    pull_back(np.zeros_like(light))


if __name__ == "__main__":
    compile_now()
