"""Find the faults of a campaign from its counts alone."""

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.brightness import faint_runs, learn_light, silent_modules
from iceopt.campaign.cuts import (
    BEHIND_DEG,
    Cuts,
    cut_findings,
    far_pairs,
    near_pairs,
    off_axis_deg,
    usable_bins,
)
from iceopt.campaign.model import Campaign, Finding, Verdicts
from iceopt.campaign.noise import dark_noise
from iceopt.campaign.seen import what_was_seen
from iceopt.campaign.timing import mistimed_modules


def find_faults(campaign: Campaign) -> Verdicts:
    """Find what a fit of this campaign must leave out, and why.

    Modules: noisy before the flash, silent, mistimed, or dead by the table. Runs: dark or weak. Pairs: too
    near, too far or too far behind a single LED to say anything. Bins: saturated and after, or before the
    flash (these tell the dark noise). Each module and run is compared with the others through a robust
    description of the light (`iceopt.campaign.pattern`) at false-alarm rates that are stated in
    `iceopt.campaign.outliers`.

    Raises
    ------
    InputError
        If hardly any pair sees light, so that nothing can be judged.
    """
    names, runs = campaign.modules.name, campaign.flashes.run
    dark, noisy = dark_noise(campaign)
    seen = what_was_seen(campaign, dark)
    learnt = learn_light(campaign, seen, _mask(noisy, len(names)))
    faint = faint_runs(campaign, seen, learnt, _mask(noisy, len(names)))
    dark_runs = {i: finding for i, finding in faint.items() if finding.state == "dark"}
    silent = silent_modules(campaign, seen, learnt, _mask(dark_runs, len(runs)))
    mistimed = mistimed_modules(campaign, seen, learnt, _mask(faint, len(runs)))
    dead = {
        int(i): Finding("module", names[i], "dead", "the table of modules says so")
        for i in np.flatnonzero(~campaign.modules.alive)
    }
    of_module = mistimed | silent | noisy | dead  # the later names the graver fault

    left = ~(_mask(of_module, len(names))[seen.module] | _mask(faint, len(runs))[seen.run])
    cuts = Cuts(
        near=near_pairs(campaign, seen) & left,
        far=far_pairs(seen, learnt) & left,
        behind=(off_axis_deg(seen) > BEHIND_DEG) & left,
        saturated=~seen.linear & left,
    )
    usable = usable_bins(campaign, seen) & (left & ~cuts.near & ~cuts.far & ~cuts.behind)[:, None]
    return Verdicts(
        findings=(
            *(of_module[i] for i in sorted(of_module)),
            *(faint[i] for i in sorted(faint)),
            *cut_findings(campaign, seen, cuts, learnt.expected(seen)),
        ),
        module_state=tuple(of_module[i].state if i in of_module else "ok" for i in range(len(names))),
        run_state=tuple(faint[i].state if i in faint else "ok" for i in range(len(runs))),
        usable=usable,
    )


def _mask(findings: dict[int, Finding], size: int) -> NDArray[np.bool_]:
    mask = np.zeros(size, dtype=bool)
    mask[list(findings)] = True
    return mask
