"""What a comparison needs of a season: draws of all layers, from a result or from a plain layer table."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.limits import LARGEST_OWN_ERROR
from iceopt.ice.attitude import Attitude
from iceopt.ice.table import read_layer_errors
from iceopt.result.read import Result

Array = NDArray[np.float64]

KINDS = ("scattering", "absorption")
_RESULT_SUFFIXES = (".h5", ".hdf5", ".nc")
_LEAST_DRAWS = 4.0
_TABLE_SHAPE = (4, 1000)
"""Chains and draws that stand for a table's symmetric errors."""


@dataclass(frozen=True)
class Profile:
    """Draws of the ice of one season."""

    name: str
    """Path as it was given: two folders may each hold a result of the same name."""
    season: str
    edges_m: Array
    log_coefficient: Array
    """ln(1/length in m), shape (kind, chain, draw, layer)."""
    effective_draws: float
    doubt: str
    """Why its numbers cannot stand, in a few words; empty if they can."""
    verdict: str
    wavelength_nm: float | None = None
    correlated: bool = True
    """False for a table: its layers are drawn independently."""
    light_model: str = ""
    attitude: Attitude | None = None
    """How the ice was taken to lie; None for a table, which does not say."""
    attitude_sd: Array | None = None
    """Shape (4,): of what was found of it, zero for what was given."""
    inputs: frozenset[str] = frozenset()
    """SHA-256 of the counts' tables."""
    modules: tuple[str, ...] = ()
    module_depth_m: Array | None = None
    log_efficiency: Array | None = None
    """Shape (chain, draw, module)."""


def read_profile(path: Path, seed: int) -> Profile:
    """Read a result file, or a layer table whose errors are drawn with the seed.

    Raises
    ------
    InputError
        If the file is neither.
    """
    if path.suffix.lower() in _RESULT_SUFFIXES:
        with Result(path) as result:
            return _of_result(result)
    return _of_table(path, np.random.default_rng(seed))


def _of_result(result: Result) -> Profile:
    lengths = [result.values("posterior", f"{kind}_length") for kind in KINDS]
    modules = [str(name) for name in result.values("posterior", "module")]
    depth = dict(
        zip(
            result.values("constant_data", "site_module"),
            result.values("constant_data", "depth"),
            strict=True,
        )
    )
    # A NaN, which says that nothing is known of the chains, must not count as many.
    effective = np.nan_to_num(result.attribute("least_ess"), nan=_LEAST_DRAWS)
    hashes = result.attribute("input_sha256").values()
    return Profile(
        name=str(result.path),
        season=f"{result.attribute('site')} {result.attribute('season')}",
        edges_m=result.edges_m(),
        log_coefficient=-np.log(lengths),
        effective_draws=float(np.clip(effective, _LEAST_DRAWS, lengths[0].shape[0] * lengths[0].shape[1])),
        doubt=_doubt(result),
        verdict=result.verdict,
        wavelength_nm=float(result.attribute("wavelength_nm")),
        light_model=str(result.attribute("light_model")),
        attitude=result.attitude,
        attitude_sd=np.asarray(result.attribute("attitude_sd")),
        inputs=frozenset(digest for files in hashes for name, digest in files.items() if "counts" in name),
        modules=tuple(modules),
        module_depth_m=np.array([depth[name] for name in modules]),
        log_efficiency=np.log(result.values("posterior", "efficiency")),
    )


def _doubt(result: Result) -> str:
    if result.final:
        return ""
    if not result.converged:
        return "it has NOT converged"
    if result.attribute("light_model_error") > LARGEST_OWN_ERROR:
        return "its light model is too poor"
    return "its light model does not explain its counts"


def _of_table(path: Path, rng: np.random.Generator) -> Profile:
    ice, log_sd, wavelength = read_layer_errors(path)
    middle = -np.log([ice.scattering_length_m, ice.absorption_length_m])
    spread = log_sd[:, None, None] * rng.standard_normal((2, *_TABLE_SHAPE, ice.layers))
    return Profile(
        name=str(path),
        season=path.stem,
        edges_m=ice.edges_m,
        log_coefficient=middle[:, None, None] + spread,
        effective_draws=float(np.prod(_TABLE_SHAPE)),
        doubt="",
        verdict="a table; what it was worth is not known",
        wavelength_nm=wavelength,
        correlated=False,
    )
