"""What a comparison assumes, and what speaks against it: a sentence each."""

import numpy as np
from numpy.typing import NDArray

from iceopt.compare.profile import Profile

Array = NDArray[np.float64]

_ALIKE_SD = 3.0
"""Standard deviations up to which two attitudes may differ by chance."""
_SAME_COUNTS = (
    "Both results come of the same counts, so they are not independent; the intervals here, which take them "
    "as such, are too wide."
)
_INDEPENDENT = (
    "The results are taken as of independent counts. Errors of the light model that both share make the "
    "intervals wider than need be; a prior that both share pulls changes towards none where the counts say "
    "little."
)


def notes(old: Profile, new: Profile, cells_m: Array, shared: int) -> tuple[str, ...]:
    """Assumptions and doubts, those on convergence first.

    Parameters
    ----------
    old, new : Profile
    cells_m : ndarray
        Edges of the common grid.
    shared : int
        Number of modules whose efficiencies were held together.
    """
    said = [
        f"{p.name}: {p.doubt}, so this comparison is not final. Its verdict: {p.verdict}"
        for p in (old, new)
        if p.doubt
    ]
    said.append(_SAME_COUNTS if old.inputs & new.inputs else _INDEPENDENT)
    if old.light_model and new.light_model and old.light_model != new.light_model:
        said.append(
            f"The light models differ ({old.light_model}; {new.light_model}): a change may be theirs, not "
            "the ice's."
        )
    said += _of_attitudes(old, new)
    for profile in (old, new):
        said += _of_table(profile) + _of_grid(profile, cells_m)
    if shared:
        said.append(
            f"{shared} modules hang in both seasons; their relative efficiencies are taken as the same but "
            "for a drift whose size is fitted."
        )
    return tuple(said)


def _of_attitudes(old: Profile, new: Profile) -> list[str]:
    if old.attitude is None or new.attitude is None or old.attitude_sd is None or new.attitude_sd is None:
        return []
    apart = np.abs(new.attitude.values - old.attitude.values)
    if (apart <= _ALIKE_SD * np.hypot(old.attitude_sd, new.attitude_sd)).all():
        return []
    return [
        f"The ice is taken to lie differently: in {old.name} {old.attitude.words}; in {new.name} "
        f"{new.attitude.words}. A change may come of that; fit both with one attitude to see "
        "([attitude] in the configuration)."
    ]


def _of_table(profile: Profile) -> list[str]:
    said = []
    if not profile.correlated:
        said.append(
            f"{profile.name} is a table, so its layers are taken as independent; bands and the joint test "
            "are too sharp if its errors go together."
        )
    if profile.wavelength_nm is None:
        said.append(f"{profile.name} names no wavelength; it is taken as that of the other.")
    return said


def _of_grid(profile: Profile, cells_m: Array) -> list[str]:
    edges, cells = np.round(profile.edges_m, 6), np.round(cells_m, 6)
    if not np.isin(cells, edges).all():
        return [
            f"Layers of {profile.name} are cut by the common grid; there a slope inside them, as large as "
            "the steps to their neighbours, widens the intervals."
        ]
    if np.sum((edges >= cells[0]) & (edges <= cells[-1])) > cells.size:
        return [f"Layers of {profile.name} are averaged over those of the coarser one, as means of 1/length."]
    return []
