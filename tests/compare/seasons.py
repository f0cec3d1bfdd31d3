"""Pairs of synthetic seasons: Gaussian posteriors of a known ice, with correlations as fits have them."""

import numpy as np

from iceopt.compare.profile import Profile

LAYERS = 30
EDGES_M = np.linspace(1400.0, 1700.0, LAYERS + 1)
CHAINS, DRAWS = 4, 400


def covariance(layers: int = LAYERS, sd: float = 0.05) -> np.ndarray:
    """Of (ln 1/le, ln 1/la): neighbours go against one another, all share a level, the kinds go together."""
    apart = abs(np.subtract.outer(np.arange(layers), np.arange(layers)))
    within = (-0.5) ** apart + 0.2
    kinds = np.array([[1.0, 0.4], [0.4, 1.0]])
    return sd**2 * np.kron(kinds, within)


def season(
    truth: np.ndarray,
    rng: np.random.Generator,
    sd: float = 0.05,
    edges_m: np.ndarray = EDGES_M,
    **more: object,
) -> Profile:
    """Posterior whose mean is off the truth, shape (2, layer), as its covariance says."""
    layers = edges_m.size - 1
    root = np.linalg.cholesky(covariance(layers, sd))
    middle = truth.ravel() + root @ rng.standard_normal(2 * layers)
    draws = middle + rng.standard_normal((CHAINS, DRAWS, 2 * layers)) @ root.T
    return Profile(
        name=str(more.pop("name", "a.h5")),
        season="Skarv Dome 2040",
        edges_m=edges_m,
        log_coefficient=draws.reshape(CHAINS, DRAWS, 2, layers).transpose(2, 0, 1, 3),
        effective_draws=float(more.pop("effective_draws", CHAINS * DRAWS)),
        doubt=str(more.pop("doubt", "")),
        verdict="synthetic",
        **more,  # type: ignore[arg-type]
    )


def unchanged_truth(layers: int = LAYERS) -> np.ndarray:
    """Some ice: ln(1/le) and ln(1/la)."""
    wave = 0.3 * np.sin(np.arange(layers) / 4.0)
    return np.array([wave - np.log(22.0), wave - np.log(100.0)])


MODULES = 100
EFFICIENCY_NOISE = 0.01


def season_with_modules(
    truth: np.ndarray, log_efficiency: np.ndarray, rng: np.random.Generator, coupling: float = 0.6
) -> Profile:
    """Posterior in which a module's efficiency goes with the scattering of its layer, as `coupling` says."""
    layers = truth.shape[1]
    depth = np.linspace(1400.0, 1400.0 + 10.0 * layers, MODULES, endpoint=False)
    response = np.zeros((MODULES, 2 * layers))
    response[np.arange(MODULES), ((depth - 1400.0) / 10.0).astype(int)] = coupling
    root = np.linalg.cholesky(covariance(layers))

    def drawn(*shape: int) -> tuple[np.ndarray, np.ndarray]:
        ice = rng.standard_normal((*shape, 2 * layers)) @ root.T
        return ice, ice @ response.T + EFFICIENCY_NOISE * rng.standard_normal((*shape, MODULES))

    (ice_off, efficiency_off), (ice, efficiency) = drawn(), drawn(CHAINS, DRAWS)
    efficiency = log_efficiency + efficiency_off + efficiency
    lengths = (truth.ravel() + ice_off + ice).reshape(CHAINS, DRAWS, 2, layers)
    return Profile(
        name="modules.h5",
        season="Skarv Dome 2040",
        edges_m=1400.0 + 10.0 * np.arange(layers + 1),
        log_coefficient=lengths.transpose(2, 0, 1, 3),
        effective_draws=float(CHAINS * DRAWS),
        doubt="",
        verdict="synthetic",
        modules=tuple(f"M{i}" for i in range(MODULES)),
        module_depth_m=depth,
        log_efficiency=efficiency - efficiency.mean(axis=-1, keepdims=True),
    )
