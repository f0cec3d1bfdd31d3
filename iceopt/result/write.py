"""Write a fit's outcome as one result file."""

import io
import json
import platform
import shlex
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import h5netcdf
import h5py
import numpy as np
from numpy.typing import NDArray

from iceopt.files import write_whole
from iceopt.fit.outcome import Outcome
from iceopt.fit.problem import Part
from iceopt.result.checksum import ATTRIBUTE, content_sha256
from iceopt.result.schema import DESCRIPTIONS, NAME, UNITS, VERSION

Variables = Mapping[str, tuple[tuple[str, ...], Any]]

_LIBRARIES = ("iceopt", "numpy", "scipy", "numba", "emcee", "h5py", "h5netcdf", "polars", "pydantic")


def write_result(
    path: str | Path, outcome: Outcome, command: Sequence[str], started: datetime, campaigns: Sequence[str]
) -> None:
    """Write a result file, with a checksum of its content, under a temporary name and rename it.

    Parameters
    ----------
    path : str or Path
    outcome : Outcome
    command : sequence of str
        Command line that made it.
    started : datetime
        When the fit began, with its time zone.
    campaigns : sequence of str
        What the campaigns were read from.
    """
    part = outcome.problem.parts[0]
    # In memory first: a disk that fills up while HDF5 writes leaves a file that cannot even be closed.
    buffer = io.BytesIO()
    with h5netcdf.File(buffer, "w") as file:
        file.attrs.update(_provenance(outcome, command, started, campaigns))
        _write_group(file, "posterior", _posterior(outcome, part))
        _write_group(file, "sample_stats", {"lp": (("chain", "draw"), outcome.corrected.log_density)})
        _write_group(file, "observed_data", _observed(part))
        _write_group(file, "posterior_predictive", _predictive(outcome))
        _write_group(file, "constant_data", _constant(outcome, part))
        _write_group(file, "diagnostics", _diagnostics(outcome))
    with h5py.File(buffer, "r+") as file:
        file.attrs[ATTRIBUTE] = content_sha256(file)
    write_whole(Path(path), buffer.getvalue())


def _write_group(file: h5netcdf.File, name: str, variables: Variables) -> None:
    group = file.create_group(name)
    arrays = {key: (dims, _storable(value)) for key, (dims, value) in variables.items()}
    for dims, array in arrays.values():
        for dim, size in zip(dims, array.shape, strict=True):
            if dim not in group.dimensions:
                group.dimensions[dim] = size
    for key, (dims, array) in arrays.items():
        packed: dict[str, Any] = {"compression": "gzip", "shuffle": True} if array.dtype.kind in "fiu" else {}
        dtype = h5py.string_dtype() if array.dtype.kind == "O" else array.dtype
        variable = group.create_variable(key, dims, dtype, data=array, **packed)
        variable.attrs["units"] = UNITS.get(key, "1")
        if key in DESCRIPTIONS:
            variable.attrs["long_name"] = DESCRIPTIONS[key]


def _storable(value: Any) -> NDArray[Any]:
    array = np.asarray(value)
    return array.astype(object) if array.dtype.kind == "U" else array


def _provenance(
    outcome: Outcome, command: Sequence[str], started: datetime, campaigns: Sequence[str]
) -> dict[str, Any]:
    problem = outcome.problem
    model = outcome.maximum.posterior.terms[0].model
    best_ice = outcome.maximum.posterior.ice(outcome.maximum.vector)
    own_error = model.model_error(best_ice, model.expected(best_ice))
    hashes = {name: part.campaign.sha256 for name, part in zip(campaigns, problem.parts, strict=True)}
    settings = problem.parts[0].campaign.settings
    versions = {name: version(name) for name in _LIBRARIES} | {"python": platform.python_version()}
    return {
        "schema": NAME,
        "schema_version": VERSION,
        "created_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "inference_library": "iceopt",
        "converged": int(outcome.converged),
        "verdict": outcome.verdict,
        "light_model": model.name,
        "light_model_error": float(np.median(own_error)),
        "site": settings.site,
        "season": settings.season,
        "wavelength_nm": settings.wavelength_nm,
        "group_index": settings.group_index,
        "scattering_anisotropy": settings.scattering_anisotropy,
        "input_sha256": json.dumps(hashes),
        "configuration": problem.config.model_dump_json(),
        "versions": json.dumps(versions),
        "seed": problem.config.seed,
        "command_line": shlex.join(command),
        "started_at": started.isoformat(timespec="seconds"),
        "duration_s": outcome.duration_s,
        "light_renewal_moves": np.array(outcome.renewals),
        "sampler": problem.config.sampler.kind,
        "sampler_steps": outcome.run.steps,
        "autocorrelation_time": outcome.run.tau,
        "acceptance": outcome.run.acceptance,
        "correction_acceptance": outcome.corrected.acceptance,
        "pareto_k": outcome.corrected.pareto_k,
        "worst_rhat": outcome.diagnostics.worst_rhat,
        "least_ess": outcome.diagnostics.least_ess,
    }


def _posterior(outcome: Outcome, part: Part) -> Variables:
    drawn, posterior = outcome.corrected, outcome.maximum.posterior
    chains, draws, _ = drawn.draws.shape
    n, edges = posterior.layers, posterior.edges_m
    campaign, seen = part.campaign, part.observations
    efficiency = np.exp(drawn.nuisances[0].log_efficiency)
    mean = efficiency.mean(axis=2, keepdims=True)
    each = ("chain", "draw")
    hyper = {p.name: (each, drawn.draws[:, :, 2 * n + i]) for i, p in enumerate(posterior.hyperparameters)}
    return {
        "chain": (("chain",), np.arange(chains)),
        "draw": (("draw",), np.arange(draws)),
        "layer": (("layer",), 0.5 * (edges[1:] + edges[:-1])),
        "module": (("module",), [campaign.modules.name[i] for i in seen.modules]),
        "run": (("run",), [campaign.flashes.run[i] for i in seen.runs]),
        "scattering_length": ((*each, "layer"), np.exp(drawn.draws[:, :, :n])),
        "absorption_length": ((*each, "layer"), np.exp(drawn.draws[:, :, n : 2 * n])),
        "efficiency": ((*each, "module"), efficiency / mean),
        "brightness": ((*each, "run"), np.exp(drawn.nuisances[0].log_brightness) * mean),
        "time_offset": ((*each, "module"), drawn.nuisances[0].offset_ns),
        **hyper,
    }


def _observed(part: Part) -> Variables:
    seen = part.observations
    return {
        "counts": (("pair", "bin"), part.campaign.counts[seen.pair]),
        "used": (("pair", "bin"), seen.used.astype(np.uint8)),
    }


def _predictive(outcome: Outcome) -> Variables:
    prediction = outcome.predictions[0]
    return {
        "counts_mean": (("pair", "bin"), prediction.mean.astype(np.float32)),
        "counts_sd": (("pair", "bin"), prediction.sd.astype(np.float32)),
        "charge_error": (("pair",), prediction.charge_error),
    }


def _constant(outcome: Outcome, part: Part) -> Variables:
    campaign, seen, verdicts = part.campaign, part.observations, part.verdicts
    modules, flashes, edges = campaign.modules, campaign.flashes, outcome.problem.edges_m
    bins = campaign.bin_edges_ns
    state = [
        "dead" if not alive else s for alive, s in zip(modules.alive, verdicts.module_state, strict=True)
    ]
    depth = np.r_[seen.scene.emitter_depth_m, seen.scene.receiver_depth_m]
    return {
        "layer_top": (("layer",), edges[:-1]),
        "layer_bottom": (("layer",), edges[1:]),
        "data_depth": (("end",), [depth.min(), depth.max()]),
        "bin_start": (("bin",), bins[:-1]),
        "bin_stop": (("bin",), bins[1:]),
        "site_module": (("site_module",), list(modules.name)),
        "line": (("site_module",), list(modules.line)),
        "x": (("site_module",), modules.position_m[:, 0]),
        "y": (("site_module",), modules.position_m[:, 1]),
        "depth": (("site_module",), modules.position_m[:, 2]),
        "module_state": (("site_module",), state),
        "campaign_run": (("campaign_run",), list(flashes.run)),
        "emitter": (("campaign_run",), flashes.emitter),
        "run_state": (("campaign_run",), list(verdicts.run_state)),
        "pair_run": (("pair",), seen.runs[seen.run]),
        "pair_module": (("pair",), seen.modules[seen.module]),
        "distance": (("pair",), seen.range_m),
        "finding_kind": (("finding",), [f.kind for f in verdicts.findings]),
        "finding_name": (("finding",), [f.name for f in verdicts.findings]),
        "finding_state": (("finding",), [f.state for f in verdicts.findings]),
        "finding_reason": (("finding",), [f.reason for f in verdicts.findings]),
    }


def _diagnostics(outcome: Outcome) -> Variables:
    found = outcome.diagnostics
    at = ("parameter",)
    return {
        "parameter": (at, list(outcome.maximum.posterior.names)),
        "rhat": (at, found.rhat),
        "ess_bulk": (at, found.ess_bulk),
        "ess_tail": (at, found.ess_tail),
        "maximum": (at, outcome.maximum.vector),
        "laplace_covariance": (("parameter", "other_parameter"), outcome.maximum.covariance),
    }
