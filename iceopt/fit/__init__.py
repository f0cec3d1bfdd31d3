"""From counts and expected counts to a posterior: likelihood, priors, samplers, convergence."""
