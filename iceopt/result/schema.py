"""What is in a result file, and what one looks like that this version can read.

HDF5 that is netCDF-4 at the same time, in the groups that ArviZ knows: `posterior`, `sample_stats`,
`observed_data`, `posterior_predictive`, `constant_data`, and `diagnostics`. Every group defines its own
dimensions, so each can be read alone. In the result of several campaigns what belongs to one of them alone
is in groups of the same names below a group of its own (`campaign_group`).
"""

NAME = "iceopt result"
VERSION = 2

GROUPS = (
    "posterior",
    "sample_stats",
    "observed_data",
    "posterior_predictive",
    "constant_data",
    "diagnostics",
)

UNITS = {
    "scattering_length": "m",
    "absorption_length": "m",
    "efficiency": "1",
    "brightness": "1",
    "time_offset": "ns",
    "dark_rate": "Hz",
    "layer": "m",
    "layer_top": "m",
    "layer_bottom": "m",
    "depth": "m",
    "x": "m",
    "y": "m",
    "distance": "m",
    "time": "ns",
    "bin_start": "ns",
    "bin_stop": "ns",
}
"""Units of the variables; all others are dimensionless, counts or words."""

DESCRIPTIONS = {
    "scattering_length": "effective scattering length of a layer",
    "absorption_length": "absorption length of a layer",
    "efficiency": "relative efficiency of a module; those of a draw average 1",
    "brightness": "brightness of a run over the one stated in the flash table",
    "time_offset": "what a module's clock reads too late",
    "dark_rate": "dark rate of a module",
    "layer": "depth of the layer's centre, positive down",
    "lp": "log posterior density up to a constant",
    "dispersion": "variance of a pair's counts over Poisson's",
    "counts": "photoelectrons, summed over a run's pulses",
    "used": "1 where the bin entered the fit",
    "counts_mean": "posterior mean of the expected counts, the light model's error left out",
    "counts_sd": "posterior standard deviation of the expected counts",
    "charge_error": "relative standard deviation of a pair's charge by all errors of the light model",
    "ln_pair_error": "ln of the relative error of the light model in a pair's charge at 100 m",
    "pair_error_growth": "power of the distance with which the pair error grows",
    "ln_profile_error": "ln of the relative error of the light model in a pair's time profile",
    "ln_smooth_length": "ln of the length (m) over which layers are alike",
    "ln_scattering_size": "ln of the standard deviation of ln scattering length over depth",
    "ln_own_part": "ln of what a layer has of its own over the standard deviation that it shares with others",
    "ln_absorption_size": "ln of the standard deviation of ln absorption length over depth",
    "dust_slope": "d ln absorption length / d ln scattering length of the dust line",
    "ln_dust_absorption": "ln of the absorption length (m) of the dust line at 25 m scattering length",
    "ln_dust_scatter": "ln of the standard deviation of ln absorption length around the dust line",
}


def campaign_group(number: int) -> str:
    """Name of the group of one of several campaigns, counted from 0."""
    return f"campaign_{number + 1}"
