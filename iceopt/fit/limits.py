"""What a fit must reach before its numbers are final.

By themselves, so that whoever reads a result need not import what a fit does.
"""

LARGEST_RHAT = 1.01
LEAST_ESS = 400.0
SETTLED = 0.1
"""A renewal of the light model that moves the layers by less than this part of their errors is the last."""
LARGEST_OWN_ERROR = 0.2
"""Relative error of a light model by its own account above which no fit with it is final."""
LARGEST_K = 0.7
"""Pareto k of the weights up to which what was drawn from is near enough to the posterior."""
LARGEST_UNEXPLAINED = 0.02
"""Relative error of charges 100 m away that a fit may find where its light model owns up to less: in ice that
it describes the best one leaves less than 1 % (docs/light_accuracy.md)."""


def is_explained(fitted_error: float, own_error: float) -> bool:
    """Whether the error that a fit finds in its light model is small, or what the model owns up to."""
    return fitted_error <= max(LARGEST_UNEXPLAINED, own_error)
