"""What a result says of itself in words and few numbers: for the terminal and for the report."""

from collections import Counter

import numpy as np
from numpy.typing import NDArray

from iceopt.result.read import Result

Array = NDArray[np.float64]

LEAST_DISPERSION = 1.05
"""Dispersions below are not worth a word."""


def mean_and_sd(result: Result, name: str) -> tuple[Array, Array]:
    """Mean and standard deviation of a posterior variable over all draws; one chain is held at a time."""
    chains, draws = result.shape("posterior", name)[:2]
    means, squares = [], []
    for k in range(chains):
        chain = result.values("posterior", name, k)
        means.append(chain.mean(axis=0))
        squares.append(np.sum((chain - means[-1]) ** 2, axis=0))
    mean = np.mean(means, axis=0)
    between = draws * np.sum((np.array(means) - mean) ** 2, axis=0)
    return mean, np.sqrt((np.sum(squares, axis=0) + between) / (chains * draws - 1))


def light_model_errors(result: Result) -> tuple[str, str]:
    """Sentences on the light model's error: by its own account, and as fitted."""
    pair, growth, profile = (
        float(np.median(result.draws(n))) for n in ("ln_pair_error", "pair_error_growth", "ln_profile_error")
    )
    model, own = result.attribute("light_model"), result.attribute("light_model_error")
    return (
        f"Light model: {model}; its own error is put at {100 * own:.2g} %.",
        f"Fitted errors of the light model: {100 * np.exp(pair):.2g} % of a pair's charge at 100 m (x "
        f"distance^{growth:.1f}), and {100 * np.exp(profile):.2g} % of its time profile besides its own.",
    )


def lie_of_the_ice(result: Result) -> str:
    """Sentences on the slope of the layers and the stretch of distances, with their standard deviations."""
    attitude, sd = result.attitude, np.asarray(result.attribute("attitude_sd"))
    if attitude.is_level:
        return f"{attitude.words.capitalize()}."
    (slope, down), (stretch, axis) = attitude.slope, attitude.stretch
    return (
        f"Layers go down by {1000 * slope:.1f} ({1000 * sd[:2].max():.1f}) m a km towards {down:.0f} "
        f"degrees, and light sees distances {100 * stretch:.2f} ({100 * sd[2:].max():.2f}) % shorter along "
        f"{axis:.0f} degrees and longer across (from +x towards +y; standard deviations in brackets). What "
        "follows holds at x = y = 0 and takes both for known."
    )


def scatter(result: Result) -> str:
    """Sentence on pairs whose counts scatter more than Poisson's law says."""
    views = result.campaigns()
    dispersion, range_m = (
        np.concatenate([view.values("constant_data", n) for view in views])
        for n in ("dispersion", "distance")
    )
    wide = dispersion > LEAST_DISPERSION
    if not wide.any():
        return "Counts scatter as Poisson's law and the light model's errors allow."
    return (
        f"Counts of {wide.sum()} of {wide.size} pairs ({range_m[wide].min():.0f} to "
        f"{range_m[wide].max():.0f} m apart) scatter {np.median(dispersion[wide]):.1f} times as much as "
        f"Poisson's law and the light model's errors allow, the oddest {dispersion.max():.1f} times; they "
        "weigh less by that much."
    )


def left_out(result: Result) -> dict[str, Counter[str]]:
    """How many modules, runs and pairs did not enter or entered in part, by state."""
    modules, runs = (result.values("constant_data", f"{kind}_state") for kind in ("module", "run"))
    kinds, states = (result.values("constant_data", f"finding_{n}") for n in ("kind", "state"))
    return {
        "modules": Counter(state for state in modules if state != "ok"),
        "runs": Counter(state for state in runs if state != "ok"),
        "pairs": Counter(s for kind, s in zip(kinds, states, strict=True) if kind == "pair"),
        "pairs, in part": Counter(s for kind, s in zip(kinds, states, strict=True) if kind == "bin"),
    }


def counted(states: Counter[str]) -> str:
    """Numbers by state in words."""
    return ", ".join(f"{number} {state}" for state, number in sorted(states.items())) or "none"
