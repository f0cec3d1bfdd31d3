"""What the page says of one result, as plain values that the template and the script print."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from iceopt.fit.limits import (
    LARGEST_K,
    LARGEST_OWN_ERROR,
    LARGEST_RHAT,
    LARGEST_UNEXPLAINED,
    LEAST_ESS,
    SETTLED,
    is_explained,
)
from iceopt.result.deviance import Deviances
from iceopt.result.layers import Layers, Lengths, read_layers
from iceopt.result.read import Result
from iceopt.result.summary import (
    counted,
    left_out,
    lie_of_the_ice,
    light_model_errors,
    mean_and_sd,
    scatter,
)

Array = NDArray[np.float64]

_WORST_PAIRS = 8
"""Of each campaign."""


@dataclass(frozen=True)
class Check:
    """One line of the table of checks."""

    name: str
    value: str
    limit: str
    passed: bool


def season(result: Result, label: str) -> dict[str, Any]:
    """All words and numbers of one result.

    Parameters
    ----------
    result : Result
    label : str
        What the page calls it.

    Returns
    -------
    dict
        `profile` is what the script draws; the rest is the template's.
    """
    layers = read_layers(result)
    views = result.campaigns()
    campaigns = [(f"{view.attribute('season')}: " if len(views) > 1 else "", view) for view in views]
    return {
        "label": label,
        "file": result.path.name,
        "site": result.attribute("site"),
        "season": result.attribute("season"),
        "wavelength_nm": f"{result.attribute('wavelength_nm'):g}",
        "converged": result.converged,
        "final": result.final,
        "verdict": result.verdict,
        "errors": [*light_model_errors(result), scatter(result), lie_of_the_ice(result)],
        "own_error_percent": f"{100 * result.attribute('light_model_error'):.2g}",
        "light_model_good": all(check.passed for check in _light_checks(result)),
        "left_out": {
            f"{prefix}{kind}".capitalize(): counted(states)
            for prefix, view in campaigns
            for kind, states in left_out(view).items()
        },
        "findings": [row for prefix, view in campaigns for row in _findings(view, prefix)],
        "ranges": [_range(layers.scattering), _range(layers.absorption)],
        "unsure": int(np.sum(~(layers.scattering.converged & layers.absorption.converged))),
        "by_prior": int(np.sum(layers.scattering.by_prior | layers.absorption.by_prior)),
        "rows": _layer_rows(layers),
        "profile": _profile(result, layers, label),
        "checks": _checks(result),
        "worst": [row for prefix, view in campaigns for row in _worst(view, prefix)],
        "modules": [row for prefix, view in campaigns for row in _modules(view, prefix)],
        "runs": [row for prefix, view in campaigns for row in _runs(view, prefix)],
        "provenance": _provenance(result),
        "configuration": result.attribute("configuration"),
        "inputs": result.attribute("input_sha256"),
        "versions": result.attribute("versions"),
    }


def length(value_m: float) -> str:
    """A length (m) to a tenth, or to a hundredth below 10 m."""
    return f"{value_m:.2f}" if value_m < 10 else f"{value_m:.1f}"


def _range(lengths: Lengths) -> str:
    middle = lengths.quantiles_m[2]
    return f"{length(middle.min())} to {length(middle.max())} m"


def _layer_rows(layers: Layers) -> list[dict[str, Any]]:
    rows = []
    for i, (top, bottom) in enumerate(zip(layers.edges_m, layers.edges_m[1:], strict=False)):
        cells = []
        for lengths in (layers.scattering, layers.absorption):
            low95, low, middle, high, high95 = (length(q) for q in lengths.quantiles_m[:, i])
            cells.append(
                {
                    "median": middle,
                    "p68": f"{low}–{high}",
                    "p95": f"{low95}–{high95}",
                    "rhat": f"{lengths.rhat[i]:.3f}",
                    "ess": f"{lengths.ess[i]:.0f}",
                    "share": f"{100 * lengths.share[i]:.0f}\u00a0%",
                    "converged": bool(lengths.converged[i]),
                    "by_prior": bool(lengths.by_prior[i]),
                }
            )
        rows.append({"depth": f"{top:g}–{bottom:g}", "lengths": cells})
    return rows


def _profile(result: Result, layers: Layers, label: str) -> dict[str, Any]:
    def numbers(lengths: Lengths) -> dict[str, Any]:
        return {
            "quantiles": [[_short(x) for x in q] for q in lengths.quantiles_m],
            "prior": [_short(x) for x in lengths.prior_m],
            "rhat": [_short(x) for x in lengths.rhat],
            "ess": [_short(x) for x in lengths.ess],
            "share": [_short(x) for x in lengths.share],
            "converged": lengths.converged.tolist(),
            "byPrior": lengths.by_prior.tolist(),
        }

    return {
        "label": label,
        "wavelength": result.attribute("wavelength_nm"),
        "final": result.final,
        "converged": result.converged,
        "edges": layers.edges_m.tolist(),
        "reach": layers.reach_m.tolist(),
        "lengths": [numbers(layers.scattering), numbers(layers.absorption)],
    }


def _short(value: float) -> float | None:
    """Five digits are enough to draw; JSON has no NaN."""
    return float(f"{value:.5g}") if np.isfinite(value) else None


def _findings(result: Result, prefix: str) -> list[dict[str, str]]:
    """What was left out by name, with the reason; the many pairs and bins are only counted."""
    columns = (result.values("constant_data", f"finding_{n}") for n in ("kind", "name", "state", "reason"))
    return [
        {"what": f"{prefix}{kind} {name}", "state": state, "reason": reason}
        for kind, name, state, reason in zip(*columns, strict=True)
        if kind in ("module", "run")
    ]


def _checks(result: Result) -> list[Check]:
    """The numbers behind the verdict; comparisons are such that a NaN fails."""
    rhat, ess, k = (result.attribute(n) for n in ("worst_rhat", "least_ess", "pareto_k"))
    checks = [
        Check("Worst R-hat of all parameters", f"{rhat:.3f}", f"below {LARGEST_RHAT}", rhat < LARGEST_RHAT),
        Check("Smallest effective sample size", f"{ess:.0f}", f"above {LEAST_ESS:.0f}", ess > LEAST_ESS),
        Check("Pareto k of the correction", f"{k:.2f}", f"below {LARGEST_K}", k < LARGEST_K),
        *_light_checks(result),
    ]
    moves = np.atleast_1d(result.attribute("light_renewal_moves"))
    if moves.size:
        name = "Last renewal of the light model moved the layers by (of their errors)"
        checks.append(Check(name, f"{moves[-1]:.2f}", f"below {SETTLED}", moves[-1] < SETTLED))
    return checks


def _light_checks(result: Result) -> list[Check]:
    own, fitted = result.attribute("light_model_error"), result.attribute("fitted_pair_error")
    return [
        Check(
            "Light model's error by its own account",
            f"{100 * own:.2g} %",
            f"at most {100 * LARGEST_OWN_ERROR:.0f} %",
            own <= LARGEST_OWN_ERROR,
        ),
        Check(
            "Error of charges 100 m away, as fitted",
            f"{100 * fitted:.2g} %",
            f"at most {100 * max(LARGEST_UNEXPLAINED, own):.2g} %",
            is_explained(fitted, own),
        ),
    ]


def _worst(result: Result, prefix: str) -> list[dict[str, str]]:
    return [
        {
            "pair": f"{prefix}{pair.run} at {pair.module}",
            "distance": f"{pair.distance_m:.0f}",
            "seen": f"{pair.seen:.0f}",
            "expected": f"{pair.expected:.0f}",
            "pull": f"{pair.pull:+.1f}",
            "deviance": f"{pair.deviance:.1f}",
        }
        for pair in Deviances(result).worst(_WORST_PAIRS)
    ]


def _modules(result: Result, prefix: str) -> list[dict[str, str]]:
    fitted = {name: i for i, name in enumerate(result.values("posterior", "module"))}
    cells = [_mean_sd(result, "efficiency", 3), _mean_sd(result, "time_offset", 2)]
    names, states = (result.values("constant_data", n) for n in ("site_module", "module_state"))
    rows = []
    for name, state in zip(names, states, strict=True):
        own = [c[fitted[name]] if name in fitted else "" for c in cells]
        rows.append({"name": prefix + name, "efficiency": own[0], "offset": own[1], "state": state})
    return rows


def _runs(result: Result, prefix: str) -> list[dict[str, str]]:
    fitted = {name: i for i, name in enumerate(result.values("posterior", "run"))}
    cells = _mean_sd(result, "brightness", 3)
    names, states = (result.values("constant_data", n) for n in ("campaign_run", "run_state"))
    return [
        {"name": prefix + name, "brightness": cells[fitted[name]] if name in fitted else "", "state": state}
        for name, state in zip(names, states, strict=True)
    ]


def _mean_sd(result: Result, name: str, decimals: int) -> list[str]:
    pairs = zip(*mean_and_sd(result, name), strict=True)
    return [f"{mean:.{decimals}f} ± {sd:.{decimals}f}" if np.isfinite(mean) else "" for mean, sd in pairs]


def _provenance(result: Result) -> list[tuple[str, str]]:
    chains, draws = result.shape("sample_stats", "lp")
    seconds = result.attribute("duration_s")
    return [
        ("Result file", result.path.name),
        ("Command", result.attribute("command_line")),
        ("Started", result.attribute("started_at")),
        ("Took", f"{seconds:.0f} s"),
        ("Seed", str(result.attribute("seed"))),
        ("Sampler", f"{result.attribute('sampler')}: {chains} chains of {draws} draws"),
        ("Steps", f"{result.attribute('sampler_steps')}"),
        ("Autocorrelation time", f"{result.attribute('autocorrelation_time'):.0f} steps"),
        ("Light model", result.attribute("light_model")),
        ("Schema of the result", str(result.attribute("schema_version"))),
    ]
