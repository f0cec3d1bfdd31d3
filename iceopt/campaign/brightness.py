"""Runs that did not fire or fired weak, and modules that see no light: too little, by the others' measure."""

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.stats import poisson

from iceopt.campaign.model import Campaign, Finding
from iceopt.campaign.outliers import (
    FALSE_ALARMS,
    critical_deviation,
    most_expected,
    neighbours,
    robust_sd,
    usual,
)
from iceopt.campaign.pattern import Pattern, Terms, fit_pattern, light_terms, sd_of_rows
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
_PRIOR_SPREADS = 3.0
"""Modules are let differ by so many times their spread: hardly pulled, yet they leave the ice its part."""

_MOST_LN = 50.0
"""Bound of an extrapolated logarithm: keeps the exponential finite."""


@dataclass(frozen=True)
class LightPattern:
    """The pattern of ln(light x distance / photons) over pairs."""

    pattern: Pattern
    terms: Terms
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
    terms = light_terms(campaign, seen)
    sd = np.sqrt((light + seen.background) / light**2 + MODEL_SD**2)
    prior_sd = max(_PRIOR_SPREADS * campaign.settings.efficiency_spread, MODEL_SD)
    pattern = fit_pattern(np.log(light / scale), sd, bright, terms, prior_sd)
    return LightPattern(pattern, terms, bright, scale * np.exp(np.minimum(pattern.common, _MOST_LN)))


def faint_runs(
    campaign: Campaign, seen: Seen, learnt: LightPattern, left_out: NDArray[np.bool_]
) -> dict[int, Finding]:
    """Runs that did not fire ('dark') or fired 'weak', by index."""
    pattern, runs = learnt.pattern, len(campaign.flashes.run)
    known = np.bincount(seen.run[learnt.learnt], minlength=runs) >= _LEAST_PAIRS
    around = neighbours(campaign.modules.position_m[campaign.flashes.emitter, 2], known)
    expected = learnt.relative * np.exp(pattern.module[seen.module])
    sums = _summed(seen, expected, seen.run, runs, seen.linear & ~left_out[seen.module])
    # light that is usual for a run: the terms of its pairs, and the neighbours' own terms in place of its own
    prediction = sp.hstack([around, sums.share @ learnt.terms.columns[:, runs:]]).toarray()
    judged = _judge(
        change=np.where(known, pattern.run - usual(pattern.run, around), np.nan),
        change_sd=pattern.run_sd(sp.eye_array(runs) - around),
        sums=sums,
        usual_light=sums.expected * np.exp(np.nan_to_num(usual(pattern.run, around))),
        usual_sd=sd_of_rows(prediction, pattern.covariance),
        spread=campaign.settings.brightness_spread,
        least_deviation=WEAK,
    )
    findings = {}
    for i in np.flatnonzero(judged.too_little):
        if sums.significant[i]:
            state, reason = "weak", f"fired at {judged.share[i]:.2g} of the brightness usual at its depth"
        else:
            state, reason = (
                "dark",
                f"its receivers saw no light; {judged.usual[i]:.3g} photoelectrons are usual",
            )
        reason += f"; healthy runs are above {judged.least[i]:.2g} of it"
        findings[int(i)] = Finding("run", campaign.flashes.run[i], state, reason)
    return findings


def silent_modules(
    campaign: Campaign, seen: Seen, learnt: LightPattern, dark_runs: NDArray[np.bool_]
) -> dict[int, Finding]:
    """Modules that count nothing, or nothing but dark noise, where others would see light; by index."""
    pattern, modules = learnt.pattern, len(campaign.modules.name)
    known = np.bincount(seen.module[learnt.learnt], minlength=modules) >= _LEAST_PAIRS
    around = neighbours(campaign.modules.position_m[:, 2], known)
    expected = learnt.relative * np.exp(pattern.run[seen.run])
    sums = _summed(seen, expected, seen.module, modules, seen.linear & ~dark_runs[seen.run])
    prediction = (sums.share @ learnt.terms.columns).toarray() + around @ pattern.module_slope
    judged = _judge(
        change=np.where(known, pattern.module - usual(pattern.module, around), np.nan),
        change_sd=pattern.module_sd(sp.eye_array(modules) - around),
        sums=sums,
        usual_light=sums.expected * np.exp(np.nan_to_num(usual(pattern.module, around))),
        usual_sd=sd_of_rows(prediction, pattern.covariance),
        spread=campaign.settings.efficiency_spread,
        least_deviation=SILENT,
    )
    return {
        int(i): Finding(
            "module",
            campaign.modules.name[i],
            "silent",
            f"sees {judged.share[i]:.2g} of the light usual at its depth; {judged.usual[i]:.3g} "
            f"photoelectrons are usual, and healthy modules see above {judged.least[i]:.2g} of it",
        )
        for i in np.flatnonzero(judged.too_little)
    }


@dataclass(frozen=True)
class _Sums:
    """Sums over the pairs of each run or each module."""

    light: NDArray[np.float64]
    background: NDArray[np.float64]
    expected: NDArray[np.float64]
    share: sp.csr_array
    """Shape (run or module, pair): share of each pair in what is expected."""

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
    scale = np.minimum(1.0, MOST_OF_A_PAIR / np.maximum(expected, 1e-300)) * use
    pairs = np.arange(of.size)
    summing = sp.csr_array((scale, (of, pairs)), (size, of.size))
    total = summing @ expected
    share = sp.csr_array((scale * expected / np.maximum(total, 1e-300)[of], (of, pairs)), (size, of.size))
    return _Sums(summing @ seen.light, summing @ seen.background, total, share)


@dataclass(frozen=True)
class _Judgement:
    too_little: NDArray[np.bool_]
    share: NDArray[np.float64]
    """Light over what is usual."""
    usual: NDArray[np.float64]
    """Usual light (photoelectrons, each pair counting as in `_summed`)."""
    least: NDArray[np.float64]
    """The share from which on nothing is at fault."""


def _judge(
    *,
    change: NDArray[np.float64],
    change_sd: NDArray[np.float64],
    sums: _Sums,
    usual_light: NDArray[np.float64],
    usual_sd: NDArray[np.float64],
    spread: float,
    least_deviation: float,
) -> _Judgement:
    """Decide which runs or modules have too little light.

    Where the pattern knows how far one is from its neighbours (the logarithm `change`, else NaN), by that;
    otherwise by whether even the upper limit of its light is below the least that is no fault.
    """
    by_change = ~np.isnan(change)
    sd = np.hypot(np.where(by_change, change_sd, usual_sd), spread)
    sd *= max(robust_sd((change / sd)[by_change]), 1.0)
    allowed = np.maximum(critical_deviation(sd.size) * sd, least_deviation)
    limit = most_expected(np.maximum(sums.light + sums.background, 0), sd.size) - sums.background
    seen_share = np.maximum(sums.light, 0) / np.maximum(usual_light, 1e-300)
    return _Judgement(
        too_little=np.where(by_change, change < -allowed, limit < usual_light * np.exp(-allowed)),
        share=np.where(by_change, np.exp(change), seen_share),
        usual=usual_light,
        least=np.exp(-allowed),
    )
