"""What is known of the layers before the counts: smoothness over depth, and dust that scatters and absorbs.

ln le is a Gaussian process over depth (Matern 3/2, a fitted size and length) around an unknown level; beside,
each layer has something of its own, a fitted part of that size. ln la follows it along a line with a fitted
slope and offset and departs from it by a second such process of a fitted size: the dust that scatters also
absorbs (Ackermann et al., J. Geophys. Res. 111, D13203 (2006)).
Either can be switched off; what is left is a broad normal prior of each layer.
"""

from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from iceopt.fit.config import PriorConfig, SizeConfig
from iceopt.fit.fields import covariance, log_densities, log_density

Array = NDArray[np.float64]

DUST_REFERENCE_M = 25.0
"""Scattering length at which the dust line's absorption length is quoted."""


@dataclass(frozen=True)
class Normal:
    """Normal prior of one named parameter."""

    name: str
    mean: float
    sd: float


def log_normal(name: str, size: SizeConfig) -> Normal:
    """Prior of the logarithm of a positive number."""
    return Normal(name, float(np.log(size.median)), size.spread)


class LayerPrior:
    """Joint prior density of the layers' lengths and of its own hyperparameters.

    Parameters
    ----------
    config : PriorConfig
    centres_m : ndarray, shape (layer,)
        Depths of the layers, increasing.
    """

    def __init__(self, config: PriorConfig, centres_m: Array) -> None:
        self._config = config
        self._centres_m, self._steps_m = centres_m, np.diff(centres_m)
        smooth, dust = config.smoothness, config.dust
        priors: list[Normal] = []
        if smooth.on:
            priors.append(log_normal("ln_smooth_length", smooth.length_m))
            priors.append(log_normal("ln_scattering_size", smooth.scattering_size))
            if smooth.own_part != "none":
                priors.append(log_normal("ln_own_part", smooth.own_part))
        if dust.on:
            priors.append(Normal("dust_slope", dust.slope.mean, dust.slope.sd))
            priors.append(log_normal("ln_dust_absorption", dust.absorption_at_25_m))
            priors.append(log_normal("ln_dust_scatter", dust.scatter))
        elif smooth.on:
            priors.append(log_normal("ln_absorption_size", smooth.absorption_size))
        self.hyperparameters = tuple(priors)

    def evaluate(
        self, log_scattering: Array, log_absorption: Array, hyperparameters: Array
    ) -> tuple[float, Array, Array, Array]:
        """Log density of the layers given the hyperparameters, whose own normal priors are left out.

        Parameters
        ----------
        log_scattering, log_absorption : ndarray, shape (layer,)
            ln le and ln la (m).
        hyperparameters : ndarray
            In the order of `self.hyperparameters`.

        Returns
        -------
        value : float
        by_log_scattering, by_log_absorption, by_hyperparameters : ndarray
        """
        names = [p.name for p in self.hyperparameters]
        value_of = dict(zip(names, hyperparameters, strict=True))
        gradient = dict.fromkeys(names, 0.0)
        level = self._config.level
        value, by_scattering = self._field(
            log_scattering - np.log(level.scattering_length_m.median),
            level.scattering_length_m.spread,
            "ln_scattering_size",
            value_of,
            gradient,
        )
        if self._config.dust.on:
            departure = log_scattering - np.log(DUST_REFERENCE_M)
            rest = log_absorption - value_of["ln_dust_absorption"] - value_of["dust_slope"] * departure
            more, by_absorption = self._field(rest, 0.0, "ln_dust_scatter", value_of, gradient)
            by_scattering = by_scattering - value_of["dust_slope"] * by_absorption
            gradient["ln_dust_absorption"] -= by_absorption.sum()
            gradient["dust_slope"] -= by_absorption @ departure
        else:
            more, by_absorption = self._field(
                log_absorption - np.log(level.absorption_length_m.median),
                level.absorption_length_m.spread,
                "ln_absorption_size",
                value_of,
                gradient,
            )
        return value + more, by_scattering, by_absorption, np.array([gradient[n] for n in names])

    def values(self, log_scattering: Array, log_absorption: Array, hyperparameters: Array) -> Array:
        """Log densities as of `evaluate`, of many vectors at once: shape (many,)."""
        value_of = {p.name: hyperparameters[:, i] for i, p in enumerate(self.hyperparameters)}
        level = self._config.level
        scattering = log_scattering - np.log(level.scattering_length_m.median)
        value = self._field_values(
            scattering, level.scattering_length_m.spread, "ln_scattering_size", value_of
        )
        if not self._config.dust.on:
            absorption = log_absorption - np.log(level.absorption_length_m.median)
            spread = level.absorption_length_m.spread
            return value + self._field_values(absorption, spread, "ln_absorption_size", value_of)
        line = value_of["ln_dust_absorption"][:, None] + value_of["dust_slope"][:, None] * (
            log_scattering - np.log(DUST_REFERENCE_M)
        )
        return value + self._field_values(log_absorption - line, 0.0, "ln_dust_scatter", value_of)

    def precision(self, hyperparameters: Array) -> Array:
        """Inverse covariance of (ln le, ln la) of the layers given hyperparameters, (2 layer, 2 layer)."""
        value_of = dict(zip((p.name for p in self.hyperparameters), hyperparameters, strict=True))
        level = self._config.level
        scattering = self._field_precision(level.scattering_length_m.spread, "ln_scattering_size", value_of)
        if not self._config.dust.on:
            spread = level.absorption_length_m.spread
            absorption = self._field_precision(spread, "ln_absorption_size", value_of)
            return scipy.linalg.block_diag(scattering, absorption)
        rest, slope = self._field_precision(0.0, "ln_dust_scatter", value_of), value_of["dust_slope"]
        return np.block([[scattering + slope**2 * rest, -slope * rest], [-slope * rest, rest]])

    def _field_precision(self, level_sd: float, size_name: str, value_of: dict[str, float]) -> Array:
        one = np.eye(self._centres_m.size)
        if size_name not in value_of:
            return one / level_sd**2
        size = value_of[size_name]
        if not self._config.smoothness.on:
            return one * np.exp(-2.0 * size)
        apart_m = np.abs(self._centres_m[:, None] - self._centres_m)
        shape = covariance(apart_m, size, value_of["ln_smooth_length"], value_of.get("ln_own_part", -np.inf))
        return scipy.linalg.cho_solve(scipy.linalg.cho_factor(shape + level_sd**2), one)

    def _field_values(self, x: Array, level_sd: float, size_name: str, value_of: dict[str, Array]) -> Array:
        layers = x.shape[1]
        if size_name not in value_of:
            return -0.5 * np.sum((x / level_sd) ** 2, axis=1) - layers * np.log(level_sd)
        size = value_of[size_name]
        if not self._config.smoothness.on:
            return -0.5 * np.sum(x**2, axis=1) * np.exp(-2.0 * size) - layers * size
        parts = value_of.get("ln_own_part", np.full(len(x), -np.inf))
        of_each = (np.ascontiguousarray(v) for v in (size, value_of["ln_smooth_length"], parts))
        return log_densities(x, self._steps_m, level_sd, *of_each)

    def _field(
        self,
        x: Array,
        level_sd: float,
        size_name: str,
        value_of: dict[str, float],
        gradient: dict[str, float],
    ) -> tuple[float, Array]:
        """Density of one field over depth; adds to the gradient of its hyperparameters."""
        if size_name not in value_of:
            return float(-0.5 * np.sum((x / level_sd) ** 2) - x.size * np.log(level_sd)), -x / level_sd**2
        if not self._config.smoothness.on:
            scaled = x * np.exp(-value_of[size_name])
            gradient[size_name] += scaled @ scaled - x.size
            return (
                float(-0.5 * scaled @ scaled - x.size * value_of[size_name]),
                -scaled * np.exp(-value_of[size_name]),
            )
        length, part = value_of["ln_smooth_length"], value_of.get("ln_own_part", -np.inf)
        value, by_x, by_size, by_length, by_part = log_density(
            x, self._steps_m, level_sd, value_of[size_name], length, part
        )
        gradient[size_name] += by_size
        gradient["ln_smooth_length"] += by_length
        if "ln_own_part" in gradient:
            gradient["ln_own_part"] += by_part
        return value, by_x
