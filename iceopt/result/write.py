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
from iceopt.fit.outcome import Outcome, fitted_pair_error
from iceopt.fit.problem import Part
from iceopt.hdf5 import sealed
from iceopt.result.checksum import ATTRIBUTE, content_sha256
from iceopt.result.schema import DESCRIPTIONS, GROUPS, NAME, UNITS, VERSION, campaign_group

Array = NDArray[np.float64]
Variables = dict[str, tuple[tuple[str, ...], Any]]

_LIBRARIES = ("iceopt", "numpy", "scipy", "numba", "emcee", "h5py", "h5netcdf", "polars", "pydantic")


def write_result(
    path: str | Path, outcome: Outcome, command: Sequence[str], started: datetime, campaigns: Sequence[str]
) -> None:
    """Write the result file of a fit, whole or not at all.

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
    groups: dict[str, Variables] = {
        "posterior": _posterior(outcome),
        "sample_stats": {"lp": (("chain", "draw"), outcome.corrected.log_density)},
        "constant_data": _constant(outcome),
        "diagnostics": _diagnostics(outcome),
    }
    parts, places = outcome.problem.parts, {}
    if len(parts) == 1:
        own = _of_campaign(outcome, 0)
        groups = {name: groups.get(name, {}) | own.get(name, {}) for name in GROUPS}
    else:
        groups["constant_data"] |= _all_modules(outcome)
        for k, part in enumerate(parts):
            settings, place = part.campaign.settings, campaign_group(k)
            places[place] = {"site": settings.site, "season": settings.season}
            groups |= {f"{place}/{name}": values for name, values in _of_campaign(outcome, k).items()}
    write_groups(Path(path), _provenance(outcome, command, started, campaigns), groups, places)


def write_groups(
    path: Path,
    attributes: Mapping[str, Any],
    groups: Mapping[str, Variables],
    places: Mapping[str, Mapping[str, Any]] | None = None,
) -> None:
    """Write the content of a result, with its checksum and its seal, whole or not at all.

    Parameters
    ----------
    path : Path
    attributes : mapping
        Of the file.
    groups : mapping
        Of each group: names of the dimensions, and values, of each variable.
    places : mapping, optional
        Groups that hold groups, and their attributes.
    """
    # In memory first: a disk that fills up while HDF5 writes leaves a file that cannot even be closed.
    buffer = io.BytesIO()
    with h5netcdf.File(buffer, "w") as file:
        file.attrs.update(attributes)
        for name, words in (places or {}).items():
            file.create_group(name).attrs.update(words)
        for name, variables in groups.items():
            _write_group(file, name, variables)
    with h5py.File(buffer, "r+") as file:
        file.attrs[ATTRIBUTE] = content_sha256(file)
    write_whole(path, sealed(buffer.getvalue()))


def _write_group(file: h5netcdf.Group, name: str, variables: Variables) -> None:
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
    models = [term.model for term in outcome.maximum.posterior.terms]
    best_ice = outcome.maximum.posterior.ice(outcome.maximum.vector)
    own_errors = [m.model_error(best_ice, m.expected(best_ice)).ravel() for m in models]
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
        "standing_complaints": json.dumps(outcome.standing),
        "light_model": models[0].name,
        "light_model_error": float(np.median(np.concatenate(own_errors))),
        "fitted_pair_error": fitted_pair_error(outcome.corrected),
        "site": settings.site,
        "season": " + ".join(part.campaign.settings.season for part in problem.parts),
        "wavelength_nm": settings.wavelength_nm,
        "attitude": problem.attitude.values,
        "attitude_sd": np.sqrt(np.diag(outcome.attitude_covariance)),
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
        "correction_efficiency": outcome.corrected.efficiency,
        "pareto_k": outcome.corrected.pareto_k,
        "worst_rhat": outcome.diagnostics.worst_rhat,
        "least_ess": outcome.diagnostics.least_ess,
    }


def _posterior(outcome: Outcome) -> Variables:
    """What all campaigns share."""
    drawn, posterior = outcome.corrected, outcome.maximum.posterior
    n, edges = posterior.layers, posterior.edges_m
    efficiency, mean = _efficiencies(outcome)
    each = ("chain", "draw")
    hyper = {p.name: (each, drawn.draws[:, :, 2 * n + i]) for i, p in enumerate(posterior.hyperparameters)}
    return {
        **_coordinates(outcome),
        "layer": (("layer",), 0.5 * (edges[1:] + edges[:-1])),
        "scattering_length": ((*each, "layer"), np.exp(drawn.draws[:, :, :n])),
        "absorption_length": ((*each, "layer"), np.exp(drawn.draws[:, :, n : 2 * n])),
        "efficiency": ((*each, "module"), efficiency / mean),
        **hyper,
    }


def _coordinates(outcome: Outcome) -> Variables:
    chains, draws, _ = outcome.corrected.draws.shape
    return {
        "chain": (("chain",), np.arange(chains)),
        "draw": (("draw",), np.arange(draws)),
        "module": (("module",), [outcome.problem.modules[i] for i in _fitted_modules(outcome)]),
    }


def _fitted_modules(outcome: Outcome) -> NDArray[np.int64]:
    """Places of the modules that any campaign used, among those of all campaigns."""
    return np.unique(np.concatenate([part.ties.place for part in outcome.problem.parts]))


def _efficiencies(outcome: Outcome) -> tuple[Array, Array]:
    """Efficiencies of the fitted modules, shape (chain, draw, module), and their mean, (chain, draw, 1)."""
    fitted = _fitted_modules(outcome)
    drawn = np.empty((*outcome.corrected.draws.shape[:2], fitted.size))
    for part, own in zip(outcome.problem.parts, outcome.corrected.nuisances, strict=True):
        drawn[:, :, np.searchsorted(fitted, part.ties.place)] = np.exp(own.log_efficiency)
    return drawn, drawn.mean(axis=2, keepdims=True)


def _of_campaign(outcome: Outcome, k: int) -> dict[str, Variables]:
    """Groups of what belongs to one campaign alone; NaN where a module did not enter in it."""
    part, own, prediction = outcome.problem.parts[k], outcome.corrected.nuisances[k], outcome.predictions[k]
    campaign, seen, fitted = part.campaign, part.observations, _fitted_modules(outcome)
    offset, noise = (np.full((*own.offset_ns.shape[:2], fitted.size), np.nan) for _ in range(2))
    at = np.searchsorted(fitted, part.ties.place)
    offset[:, :, at] = own.offset_ns
    noise[:, :, at] = np.exp(own.log_dark) * part.dark_per_ns[seen.modules] * 1e9
    each, each_bin = ("chain", "draw"), ("pair", "bin")
    return {
        "posterior": {
            **_coordinates(outcome),
            "run": (("run",), [campaign.flashes.run[i] for i in seen.runs]),
            "brightness": ((*each, "run"), np.exp(own.log_brightness) * _efficiencies(outcome)[1]),
            "time_offset": ((*each, "module"), offset),
            "dark_rate": ((*each, "module"), noise),
        },
        "observed_data": {
            "counts": (each_bin, campaign.counts[seen.pair]),
            "used": (each_bin, seen.used.astype(np.uint8)),
        },
        "posterior_predictive": {
            "counts_mean": (each_bin, prediction.mean.astype(np.float32)),
            "counts_sd": (each_bin, prediction.sd.astype(np.float32)),
            "charge_error": (("pair",), prediction.charge_error),
        },
        "constant_data": _constant_of_campaign(
            part, outcome.maximum.posterior.terms[k].likelihood.dispersion
        ),
    }


def _constant(outcome: Outcome) -> Variables:
    edges = outcome.problem.edges_m
    scenes = [part.observations.scene for part in outcome.problem.parts]
    depth = np.concatenate([np.r_[s.emitter_depth_m, s.receiver_depth_m] for s in scenes])
    return {
        "layer_top": (("layer",), edges[:-1]),
        "layer_bottom": (("layer",), edges[1:]),
        "data_depth": (("end",), [depth.min(), depth.max()]),
    }


def _all_modules(outcome: Outcome) -> Variables:
    """Table of the modules of all campaigns."""
    tables = [part.campaign.modules for part in outcome.problem.parts]
    first = {name: (m, i) for m in reversed(tables) for i, name in enumerate(m.name)}
    rows = [first[name] for name in outcome.problem.modules]
    return _module_table(
        [m.name[i] for m, i in rows],
        [m.line[i] for m, i in rows],
        np.array([m.position_m[i] for m, i in rows]),
    )


def _module_table(names: Sequence[str], lines: Sequence[str], position_m: Array) -> Variables:
    return {
        "site_module": (("site_module",), list(names)),
        "line": (("site_module",), list(lines)),
        "x": (("site_module",), position_m[:, 0]),
        "y": (("site_module",), position_m[:, 1]),
        "depth": (("site_module",), position_m[:, 2]),
    }


def _constant_of_campaign(part: Part, dispersion: Array) -> Variables:
    campaign, seen, verdicts = part.campaign, part.observations, part.verdicts
    modules, flashes, bins = campaign.modules, campaign.flashes, campaign.bin_edges_ns
    state = [
        "dead" if not alive else s for alive, s in zip(modules.alive, verdicts.module_state, strict=True)
    ]
    return {
        "bin_start": (("bin",), bins[:-1]),
        "bin_stop": (("bin",), bins[1:]),
        **_module_table(modules.name, modules.line, modules.position_m),
        "module_state": (("site_module",), state),
        "campaign_run": (("campaign_run",), list(flashes.run)),
        "emitter": (("campaign_run",), flashes.emitter),
        "run_state": (("campaign_run",), list(verdicts.run_state)),
        "pair_run": (("pair",), seen.runs[seen.run]),
        "pair_module": (("pair",), seen.modules[seen.module]),
        "distance": (("pair",), seen.range_m),
        "dispersion": (("pair",), dispersion),
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
