"""Fits that differ by nothing but their seed, merged into one result with the chains of all.

Every fit makes its own stand-in, corrects its draws by the full model and has a verdict of its own; what more
chains do not mend (a climb that stopped, weights with a long tail) stands against the merged result too. How
far the chains agree is asked of all of them together.
"""

import json
import re
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5netcdf
import numpy as np
from numpy.typing import NDArray

from iceopt.errors import InputError
from iceopt.fit.convergence import Diagnostics, diagnose
from iceopt.fit.verdict import complaints_of_draws, doubt_of_light, verdict_of
from iceopt.result.checksum import ATTRIBUTE
from iceopt.result.read import Result
from iceopt.result.write import Variables, write_groups

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Merged:
    """What a merged result says of itself."""

    converged: bool
    verdict: str
    standing: tuple[str, ...]
    """What speaks against it that further chains would not mend."""


@dataclass(frozen=True)
class _Piece:
    """All of one result."""

    path: Path
    attributes: dict[str, Any]
    groups: dict[str, Variables]
    """By their paths: those of one of several campaigns lie in a group of its own."""
    places: dict[str, dict[str, Any]]
    """Attributes of the groups that hold groups."""
    draws: Array
    """Of every parameter, shape (chain, draw, parameter)."""
    origin: dict[str, Any]
    """Where it came from, for the merged file."""


def merge_results(paths: Sequence[str | Path], output: str | Path, command: Sequence[str]) -> Merged:
    """Write one result with the chains of several.

    Of fits with more draws a chain than the fit with the fewest, the last ones are taken.

    Parameters
    ----------
    paths : sequence of str or Path
        Two result files or more.
    output : str or Path
    command : sequence of str
        Command line that made it.

    Returns
    -------
    Merged

    Raises
    ------
    InputError
        If a file is not a whole result, or the fits differ by more than their seed, or not even by that.
    """
    if len(paths) < 2:
        raise InputError("merging takes two results or more")
    pieces = [_read(Path(path)) for path in paths]
    _require_same(pieces)
    draws = min(piece.draws.shape[1] for piece in pieces)
    diagnostics = diagnose(np.concatenate([piece.draws[:, -draws:] for piece in pieces]))
    merged = _judged(pieces, diagnostics)
    groups = {
        path: _merged_group(path, [piece.groups[path] for piece in pieces], draws, diagnostics)
        for path in pieces[0].groups
    }
    attributes = _attributes(pieces, diagnostics, merged, command)
    write_groups(Path(output), attributes, groups, pieces[0].places)
    return merged


def content_of(path: Path) -> str:
    """Checksum that a result carries of its content: the same for the same content."""
    with Result(path) as result:
        return str(result.attribute(ATTRIBUTE))


def _read(path: Path) -> _Piece:
    with Result(path) as result:
        result.verify()
        if "pieces" in result:
            raise InputError(f"{path}: is merged itself; give the results it was merged from")
        names = ("seed", "command_line", "started_at", "created_at", "verdict", ATTRIBUTE)
        origin = {name: result.attribute(name) for name in names}
        origin |= {"file": path.name, "chains_and_draws": result.shape("sample_stats", "lp")}
        draws = _parameters(result)
    with h5netcdf.File(path) as file:
        attributes = {name: value for name, value in file.attrs.items() if name != ATTRIBUTE}
        groups, places = dict(_groups_of(file)), dict(_places_of(file))
    return _Piece(path, attributes, groups, places, draws, origin)


def _groups_of(group: h5netcdf.Group, above: str = "") -> Iterator[tuple[str, Variables]]:
    """Paths of all groups that hold variables, and these."""
    for name, inner in group.groups.items():
        if inner.variables:
            yield above + name, {key: (v.dimensions, v[...]) for key, v in inner.variables.items()}
        yield from _groups_of(inner, f"{above}{name}/")


def _places_of(file: h5netcdf.File) -> Iterator[tuple[str, dict[str, Any]]]:
    """Groups that hold groups, and their attributes."""
    for name, group in file.groups.items():
        if group.groups:
            yield name, dict(group.attrs)


def _parameters(result: Result) -> Array:
    """Draws of every parameter that the diagnostics name, as it was sampled: `ln_NAME[i]` or a variable."""
    columns = []
    for name in result.values("diagnostics", "parameter"):
        found = re.fullmatch(r"ln_(\w+)\[(\d+)\]", name)
        if found:
            columns.append(np.log(result.values("posterior", found[1])[:, :, int(found[2])]))
        else:
            columns.append(result.values("posterior", name))
    return np.stack(columns, axis=2)


def _require_same(pieces: Sequence[_Piece]) -> None:
    """Refuse fits that differ by more than their seed, or two of one seed."""
    first = pieces[0]
    for piece in pieces[1:]:
        changed = [what for what, of in _IDENTITY.items() if of(piece.attributes) != of(first.attributes)]
        if changed:
            raise InputError(
                f"{piece.path}: is of another {' and '.join(changed)} than {first.path}; only fits that "
                "differ by nothing but their seed can be merged"
            )
    by_seed: dict[int, Path] = {}
    for piece in pieces:
        other = by_seed.setdefault(piece.origin["seed"], piece.path)
        if other is not piece.path:
            raise InputError(
                f"{piece.path}: has the seed {piece.origin['seed']} of {other}, so its draws are the same; "
                "leave one out"
            )


def _settings(attributes: dict[str, Any]) -> dict[str, Any]:
    """The configuration without what may differ: the seed, and the time limit."""
    settings: dict[str, Any] = json.loads(attributes["configuration"])
    del settings["seed"], settings["sampler"]["time_limit_s"]
    return settings


_IDENTITY = {
    "input": lambda a: list(json.loads(a["input_sha256"]).values()),
    "configuration": _settings,
    "version of iceopt": lambda a: json.loads(a["versions"])["iceopt"],
    "light model": lambda a: a["light_model"],
}


def _judged(pieces: Sequence[_Piece], diagnostics: Diagnostics) -> Merged:
    standing = [
        f"seed {piece.origin['seed']}: {words}"
        for piece in pieces
        for words in json.loads(piece.attributes["standing_complaints"])
    ]
    complaints = [*standing, *complaints_of_draws(diagnostics)]
    own_error = max(float(piece.attributes["light_model_error"]) for piece in pieces)
    fitted_error = max(float(piece.attributes["fitted_pair_error"]) for piece in pieces)
    doubt = doubt_of_light(pieces[0].attributes["light_model"], own_error, fitted_error)
    reason = f"{len(pieces)} fits of different seeds, merged"
    return Merged(not complaints, verdict_of(complaints, doubt, diagnostics, reason), tuple(standing))


def _merged_group(path: str, pieces: Sequence[Variables], draws: int, found: Diagnostics) -> Variables:
    """One group of the merged result from that of each piece; what is not drawn is the first one's."""
    match path.rpartition("/")[2]:
        case "posterior" | "sample_stats":
            return _joined(pieces, draws)
        case "posterior_predictive":
            return _mixed(pieces)
        case "diagnostics":
            return _diagnostics(pieces[0], found)
        case _:
            return pieces[0]


def _joined(pieces: Sequence[Variables], draws: int) -> Variables:
    """Chains of all pieces one after another, the last draws of each; coordinates as in the first."""
    joined: dict[str, tuple[tuple[str, ...], Any]] = {}
    for name, (dims, values) in pieces[0].items():
        if dims[:2] == ("chain", "draw"):
            joined[name] = dims, np.concatenate([piece[name][1][:, -draws:] for piece in pieces])
        else:
            joined[name] = dims, values
    chains = sum(_chains(piece) for piece in pieces)
    for name, size in (("chain", chains), ("draw", draws)):
        if name in joined:
            joined[name] = (name,), np.arange(size)
    return joined


def _chains(piece: Variables) -> int:
    return next(values.shape[0] for dims, values in piece.values() if dims[:2] == ("chain", "draw"))


def _mixed(pieces: Sequence[Variables]) -> Variables:
    """Mean and spread of the counts over equally many draws of each piece."""
    mean, sd, charge_error = (
        np.array([piece[name][1] for piece in pieces], dtype=np.float64)
        for name in ("counts_mean", "counts_sd", "charge_error")
    )
    whole = np.sqrt((sd**2).mean(axis=0) + mean.var(axis=0))
    found = {"counts_mean": mean.mean(axis=0), "counts_sd": whole, "charge_error": charge_error.mean(axis=0)}
    return {
        name: (dims, found[name].astype(values.dtype) if name in found else values)
        for name, (dims, values) in pieces[0].items()
    }


def _diagnostics(first: Variables, found: Diagnostics) -> Variables:
    """Those of all chains; the maximum and its covariance are the first fit's."""
    at = ("parameter",)
    return dict(first) | {
        "rhat": (at, found.rhat),
        "ess_bulk": (at, found.ess_bulk),
        "ess_tail": (at, found.ess_tail),
    }


def _attributes(
    pieces: Sequence[_Piece], diagnostics: Diagnostics, merged: Merged, command: Sequence[str]
) -> dict[str, Any]:
    """Those of the first piece; numbers that judge are the worst of all, or of all chains together."""

    def each(name: str) -> Array:
        return np.array([float(np.ravel(piece.attributes[name])[0]) for piece in pieces])

    moves = [np.atleast_1d(piece.attributes["light_renewal_moves"]) for piece in pieces]
    last = [found[-1] if found.size else 0.0 for found in moves]
    return pieces[0].attributes | {
        "converged": int(merged.converged),
        "verdict": merged.verdict,
        "standing_complaints": json.dumps(merged.standing),
        "created_at": datetime.now(UTC).isoformat(timespec="seconds"),
        "command_line": shlex.join(command),
        "pieces": json.dumps([piece.origin for piece in pieces]),
        "seed": np.array([piece.origin["seed"] for piece in pieces]),
        "started_at": min(piece.origin["started_at"] for piece in pieces),
        "duration_s": float(each("duration_s").sum()),
        "light_model_error": float(each("light_model_error").max()),
        "fitted_pair_error": float(each("fitted_pair_error").max()),
        "light_renewal_moves": moves[int(np.argmax(last))],
        "sampler_steps": int(each("sampler_steps").min()),
        "autocorrelation_time": float(each("autocorrelation_time").max()),
        "acceptance": float(each("acceptance").min()),
        "correction_efficiency": float(each("correction_efficiency").min()),
        "pareto_k": float(each("pareto_k").max()),
        "worst_rhat": diagnostics.worst_rhat,
        "least_ess": diagnostics.least_ess,
    }
