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
