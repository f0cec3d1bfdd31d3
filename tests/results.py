"""Result files with given draws, without a fit: for what reads results."""

import json
from dataclasses import dataclass, field
from pathlib import Path

import h5netcdf
import numpy as np
from numpy.typing import NDArray

from iceopt.hdf5 import sealed
from iceopt.result.schema import NAME, VERSION
from iceopt.result.write import _write_group

Array = NDArray[np.float64]


@dataclass
class Drawn:
    """What a synthetic result holds; lengths of shape (chain, draw, layer)."""

    edges_m: Array
    scattering_m: Array
    absorption_m: Array
    efficiency: Array | None = None
    """Shape (chain, draw, module)."""
    modules: tuple[str, ...] = ()
    module_depth_m: Array = field(default_factory=lambda: np.zeros(0))
    season: str = "2040"
    converged: bool = True
    attributes: dict[str, object] = field(default_factory=dict)


def write_drawn(path: Path, drawn: Drawn) -> Path:
    """Write a result file of schema's form with these draws."""
    chains, draws, _ = drawn.scattering_m.shape
    efficiency = np.ones((chains, draws, 1)) if drawn.efficiency is None else drawn.efficiency
    modules = list(drawn.modules) or ["L1-01"]
    edges, each = np.asarray(drawn.edges_m), ("chain", "draw")
    depth = drawn.module_depth_m if drawn.module_depth_m.size else np.array([edges.mean()])
    attributes = {
        "schema": NAME,
        "schema_version": VERSION,
        "converged": int(drawn.converged),
        "verdict": "converged: synthetic"
        if drawn.converged
        else "NOT converged, do not use as final: synthetic",
        "site": "Skarv Dome",
        "season": drawn.season,
        "wavelength_nm": 405.0,
        "group_index": 1.337,
        "scattering_anisotropy": 0.9,
        "light_model": "none",
        "light_model_error": 0.01,
        "fitted_pair_error": 0.005,
        "attitude": np.zeros(4),
        "attitude_sd": np.zeros(4),
        "seed": 1,
        "least_ess": float(chains * draws),
        "input_sha256": json.dumps({"synthetic": {"counts.csv": drawn.season}}),
    }
    with h5netcdf.File(path, "w") as file:
        file.attrs.update(attributes | drawn.attributes)
        posterior = {
            "scattering_length": ((*each, "layer"), drawn.scattering_m),
            "absorption_length": ((*each, "layer"), drawn.absorption_m),
            "efficiency": ((*each, "module"), efficiency),
            "module": (("module",), modules),
        }
        constant = {
            "layer_top": (("layer",), edges[:-1]),
            "layer_bottom": (("layer",), edges[1:]),
            "data_depth": (("end",), edges[[0, -1]]),
            "site_module": (("site_module",), modules),
            "depth": (("site_module",), depth),
        }
        _write_group(file, "posterior", posterior)
        _write_group(file, "constant_data", constant)
    path.write_bytes(sealed(path.read_bytes()))
    return path
