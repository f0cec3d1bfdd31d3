"""The ice that a plan expects: from a result, a table, rows, or a typical profile."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from iceopt.errors import InputError
from iceopt.fit.config import FitConfig
from iceopt.fit.likelihood import ERROR_NAMES
from iceopt.ice.attitude import Attitude
from iceopt.ice.layers import Ice
from iceopt.plan.prior import layer_prior
from iceopt.result.prior import LENGTHS
from iceopt.result.read import Result

Array = NDArray[np.float64]

TYPICAL = (
    (1300.0, 8.0, 80.0),
    (1400.0, 18.0, 85.0),
    (1600.0, 22.0, 95.0),
    (1800.0, 22.0, 100.0),
    (1950.0, 18.0, 80.0),
    (2050.0, 8.0, 30.0),
    (2150.0, 25.0, 110.0),
    (2300.0, 40.0, 170.0),
    (2450.0, 40.0, 170.0),
)
"""Depth, scattering and absorption length (m) at about 400 nm: round figures of deep glacial ice with one
dusty stretch, from memory. No site's ice: give your own as soon as there is any."""
_STEP_M = 5.0


def profile_ice(nodes: Sequence[Sequence[float]], where: str) -> Ice:
    """Ice between nodes of (depth, scattering, absorption length) (m): lengths are log-linear in depth.

    Raises
    ------
    InputError
        If there are fewer than two nodes, depths do not increase, or a length is not positive.
    """
    table = np.array(nodes, dtype=float)
    if len(table) < 2 or not np.all(np.diff(table[:, 0]) > 0):
        raise InputError(f"{where}: a profile needs two nodes or more, at depths that increase")
    if not np.all(table[:, 1:] > 0):
        raise InputError(f"{where}: a profile's lengths must be above 0 m")
    depth = table[:, 0]
    edges = np.linspace(depth[0], depth[-1], max(int((depth[-1] - depth[0]) / _STEP_M), 1) + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    return Ice(edges, *(np.exp(np.interp(middle, depth, np.log(column))) for column in table[:, 1:].T))


def result_ice(path: Path) -> tuple[Ice, Array, Attitude]:
    """Medians of a result: ice, sizes of the light model's errors, shape (3,), and how the ice lies."""
    with Result(path) as result:
        lengths = (result.quantiles(name, [0.5])[0] for name in LENGTHS)
        errors = np.array([float(np.median(result.draws(name))) for name in ERROR_NAMES])
        return Ice(_edges(result), *lengths), errors, result.attitude


def result_information(path: Path, edges_m: Array) -> Array:
    """Information of a result's counts on its layers, shape (parameter, parameter).

    The inverse of its normal approximation, less its prior; what little falls below zero, as the result also
    fits sizes that a plan holds, is taken as none.

    Raises
    ------
    InputError
        If its layers are not those of the plan.
    """
    with Result(path) as result:
        edges = _edges(result)
        if edges.shape != edges_m.shape or not np.allclose(edges, edges_m, atol=1e-6):
            raise InputError(
                f"{path}: its {edges.size - 1} layers from {edges[0]:g} to {edges[-1]:g} m are not the "
                f"plan's {edges_m.size - 1} from {edges_m[0]:g} to {edges_m[-1]:g} m; set [layers] edges_m "
                "of the plan's fit_config to them"
            )
        names = list(result.values("diagnostics", "parameter"))
        own = [names.index(f"ln_{length}[{i}]") for length in LENGTHS for i in range(edges.size - 1)]
        covariance = result.values("diagnostics", "laplace_covariance")[np.ix_(own, own)]
        config = FitConfig.model_validate(result.attribute("configuration"))
        ice = Ice(edges, *(result.quantiles(name, [0.5])[0] for name in LENGTHS))
    value, vector = np.linalg.eigh(np.linalg.inv(covariance) - layer_prior(config, ice))
    return np.asarray((vector * np.maximum(value, 0.0)) @ vector.T)


def _edges(result: Result) -> Array:
    top, bottom = (result.values("constant_data", f"layer_{end}") for end in ("top", "bottom"))
    return np.append(top, bottom[-1])
