"""What is said of a fit: the complaints against it, and the verdict in words."""

from collections.abc import Sequence

from iceopt.fit.convergence import Diagnostics
from iceopt.fit.limits import LARGEST_OWN_ERROR, LARGEST_RHAT, LEAST_ESS, is_explained


def complaints_of_draws(diagnostics: Diagnostics) -> list[str]:
    """What the draws' diagnostics say against them; a NaN speaks against them too."""
    found = []
    if not diagnostics.worst_rhat < LARGEST_RHAT:
        found.append(f"the worst R-hat is {diagnostics.worst_rhat:.3f} (should be below {LARGEST_RHAT})")
    if not diagnostics.least_ess > LEAST_ESS:
        found.append(
            f"the smallest effective sample size is {diagnostics.least_ess:.0f} "
            f"(should be above {LEAST_ESS:.0f})"
        )
    return found


def doubt_of_light(name: str, own_error: float, fitted_error: float) -> str:
    """Say in words that a light model is too poor for final numbers; empty if it is not.

    Parameters
    ----------
    name : str
    own_error : float
        Relative error by its own account.
    fitted_error : float
        That of a pair's charge 100 m away, as fitted.
    """
    if own_error > LARGEST_OWN_ERROR:
        return f"the light model, {name}, is itself wrong by about {100 * own_error:.0f} %"
    if not is_explained(fitted_error, own_error):
        return (
            f"charges 100 m away are off by {100 * fitted_error:.1f} % where the light model owns up to "
            f"{100 * own_error:.1f} %; ice or modules are not what it takes them for, and the layers' "
            "intervals do not know of it"
        )
    return ""


def verdict_of(complaints: Sequence[str], light_doubt: str, diagnostics: Diagnostics, reason: str) -> str:
    """The verdict in words.

    Parameters
    ----------
    complaints : sequence of str
        The fit has converged if there is none.
    light_doubt : str
    diagnostics : Diagnostics
    reason : str
        What ended the sampling, if nothing speaks against the draws.
    """
    doubt = f"; a first look, not final: {light_doubt}" if light_doubt else ""
    if complaints:
        return "NOT converged, do not use as final: " + "; ".join(complaints) + doubt
    return (
        f"converged: {reason}; worst R-hat {diagnostics.worst_rhat:.3f}, smallest effective sample "
        f"size {diagnostics.least_ess:.0f}{doubt}"
    )
