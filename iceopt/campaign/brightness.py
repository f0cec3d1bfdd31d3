"""Runs that did not fire or fired weak, and modules that see no light: too little, by the others' measure."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import poisson

from iceopt.campaign.model import Campaign, Finding
from iceopt.campaign.outliers import FALSE_ALARMS, critical_deviation, most_expected, robust_sd, usual
from iceopt.campaign.pattern import Pattern, fit_pattern, light_terms
from iceopt.campaign.seen import Seen
from iceopt.errors import InputError

BRIGHT = 30.0
"""Photoelectrons from which a pair's light is known well enough (18 %) to learn from."""

SIGNIFICANT = 8.0
"""Times the dark counts' standard deviation that such light must exceed."""

MODEL_SD = 0.1
"""Scatter of the logarithm of a pair's light about the pattern, up to a common factor that is fitted."""

WEAK = float(np.log(2))
"""Logarithm of the factor by which a run may be weak in any case: its brightness is fitted."""

SILENT = float(np.log(10))
"""The same for the light of a module: its efficiency is fitted."""

MOST_OF_A_PAIR = 100.0
"""Expected photoelectrons beyond which a pair weighs no more."""

_LEAST_PAIRS = 3
_FEWEST_TO_LEARN_FROM = 10
_MOST_LN = 50.0
"""Bound of an extrapolated logarithm: keeps the exponential finite."""


@dataclass(frozen=True)
class LightPattern:
    """The pattern of ln(light x distance / photons) over pairs."""

    pattern: Pattern
    learnt: NDArray[np.bool_]
    """Shape (pair,): the pairs it was learnt from."""
    relative: NDArray[np.float64]
    """Shape (pair,): expected light at brightness and efficiency 1, up to the factor they share."""

    def expected(self, seen: Seen) -> NDArray[np.float64]:
        """Expected light of each pair (photoelectrons)."""
        terms = self.pattern.run[seen.run] + self.pattern.module[seen.module]
        return self.relative * np.exp(terms)


def learn_light(campaign: Campaign, seen: Seen, left_out: NDArray[np.bool_]) -> LightPattern:
    """Describe the light of the pairs.

    Parameters
    ----------
    campaign : Campaign
    seen : Seen
    left_out : ndarray of bool, shape (module,)
        Modules that are known to be faulty.

    Raises
    ------
    InputError
        If hardly any pair sees light.
    """
    noise_sd = np.sqrt(seen.background + 1)
    bright = (seen.light > np.maximum(BRIGHT, SIGNIFICANT * noise_sd)) & seen.linear & ~left_out[seen.module]
    if bright.sum() < _FEWEST_TO_LEARN_FROM:
        raise InputError(
            f"only {bright.sum()} of the campaign's {bright.size} pairs of run and module show linear light; "
            f"at least {_FEWEST_TO_LEARN_FROM} are needed to judge modules and runs"
        )
    light = np.maximum(seen.light, 1)
    scale = seen.photons / seen.distance_m
    pattern = fit_pattern(
        np.log(light / scale),
        np.sqrt((light + seen.background) / light**2 + MODEL_SD**2),
        bright,
        light_terms(campaign, seen),
        module_prior_sd=1.0,
    )
    return LightPattern(pattern, bright, scale * np.exp(np.minimum(pattern.common, _MOST_LN)))


def faint_runs(
    campaign: Campaign, seen: Seen, learnt: LightPattern, left_out: NDArray[np.bool_]
) -> dict[int, Finding]:
    """Runs that did not fire ('dark') or fired 'weak', by index."""
    sums = _summed(
        seen,
        learnt.relative * np.exp(learnt.pattern.module[seen.module]),
        seen.run,
        len(campaign.flashes.run),
        seen.linear & ~left_out[seen.module],
    )
    verdict = _judge(
        learnt.pattern.run,
        np.bincount(seen.run[learnt.learnt], minlength=sums.light.size) >= _LEAST_PAIRS,
        campaign.modules.position_m[campaign.flashes.emitter, 2],
        sums,
        max(campaign.settings.brightness_spread, WEAK / critical_deviation(sums.light.size)),
    )
    findings = {}
    for i in np.flatnonzero(verdict.too_little):
        if sums.significant[i]:
            state, reason = "weak", f"fired at {verdict.share[i]:.2g} of the brightness usual at its depth"
        else:
            state, reason = (
                "dark",
                f"its receivers saw no light; {verdict.usual[i]:.3g} photoelectrons are usual",
            )
        reason += f"; healthy runs are above {verdict.least:.2g} of it"
        findings[int(i)] = Finding("run", campaign.flashes.run[i], state, reason)
    return findings


def silent_modules(
    campaign: Campaign, seen: Seen, learnt: LightPattern, dark_runs: NDArray[np.bool_]
) -> dict[int, Finding]:
    """Modules that count nothing, or nothing but dark noise, where others would see light; by index."""
    sums = _summed(
        seen,
        learnt.relative * np.exp(learnt.pattern.run[seen.run]),
        seen.module,
        len(campaign.modules.name),
        seen.linear & ~dark_runs[seen.run],
    )
    verdict = _judge(
        learnt.pattern.module,
        np.bincount(seen.module[learnt.learnt], minlength=sums.light.size) >= _LEAST_PAIRS,
        campaign.modules.position_m[:, 2],
        sums,
        max(campaign.settings.efficiency_spread, SILENT / critical_deviation(sums.light.size)),
    )
    return {
        int(i): Finding(
            "module",
            campaign.modules.name[i],
            "silent",
            f"sees {verdict.share[i]:.2g} of the light usual at its depth; {verdict.usual[i]:.3g} "
            f"photoelectrons are usual, and healthy modules see above {verdict.least:.2g} of it",
        )
        for i in np.flatnonzero(verdict.too_little)
    }


@dataclass(frozen=True)
class _Sums:
    """Sums over the pairs of each run or each module."""

    light: NDArray[np.float64]
    background: NDArray[np.float64]
    expected: NDArray[np.float64]

    @property
    def significant(self) -> NDArray[np.bool_]:
        """Whether there is light above the dark noise."""
        counts = np.ceil(self.light + self.background)
        return poisson.sf(counts - 1, self.background) < FALSE_ALARMS / counts.size


def _summed(
    seen: Seen, expected: NDArray[np.float64], of: NDArray[np.int64], size: int, use: NDArray[np.bool_]
) -> _Sums:
    """Sum over the used pairs, each scaled down to at most `MOST_OF_A_PAIR` expected.

    The pattern may be off by much for a single pair; so none may outweigh the others. Scaled counts vary
    less than Poisson ones, so that Poisson limits of the sums are safe.
    """
    weight = np.minimum(1.0, MOST_OF_A_PAIR / np.maximum(expected, 1e-300)) * use

    def summed(value: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.bincount(of, weights=weight * value, minlength=size).astype(np.float64)

    return _Sums(summed(seen.light), summed(seen.background), summed(expected))


@dataclass(frozen=True)
class _Judgement:
    too_little: NDArray[np.bool_]
    share: NDArray[np.float64]
    """Light over what is usual."""
    usual: NDArray[np.float64]
    """Usual light (photoelectrons, each pair counting as in `_summed`)."""
    least: float
    """The share from which on nothing is at fault."""


def _judge(
    term: NDArray[np.float64],
    known: NDArray[np.bool_],
    depth_m: NDArray[np.float64],
    sums: _Sums,
    spread: float,
) -> _Judgement:
    """Compare each run or module with the others near its depth.

    Where the pattern knows its own term, by that; else by whether even the upper limit of its light is
    below the least that is no fault.
    """
    reference = usual(term, depth_m, known)
    change = np.where(known, term - reference, np.nan)
    sd = max(robust_sd(change[~np.isnan(change)]), spread)
    allowed = critical_deviation(term.size) * sd
    usual_light = sums.expected * np.exp(np.nan_to_num(reference))
    limit = most_expected(np.maximum(sums.light + sums.background, 0), term.size) - sums.background
    return _Judgement(
        too_little=np.where(np.isnan(change), limit < usual_light * np.exp(-allowed), change < -allowed),
        share=np.where(
            np.isnan(change), np.maximum(sums.light, 0) / np.maximum(usual_light, 1e-300), np.exp(change)
        ),
        usual=usual_light,
        least=float(np.exp(-allowed)),
    )
