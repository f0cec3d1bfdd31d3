"""What several campaigns of one site must agree on to be fitted together, and the modules that they share."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from iceopt.campaign.model import Campaign
from iceopt.errors import InputError

Index = NDArray[np.int64]

_SHARED_SETTINGS = (
    "site",
    "wavelength_nm",
    "group_index",
    "scattering_anisotropy",
    "effective_area_m2",
    "acceptance_slope",
)
_SAME_PLACE_M = 0.5
"""Surveys of one module may differ by this: far below a layer, and below what moves the light."""


def shared_modules(campaigns: Sequence[Campaign]) -> tuple[tuple[str, ...], list[Index]]:
    """Names of all modules, and of each campaign the places of its modules among them, shape (module,).

    Raises
    ------
    InputError
        If two campaigns disagree on the ice's optics, the receivers or a module, or are the same.
    """
    place: dict[str, int] = {}
    owner: dict[str, tuple[Campaign, int]] = {}
    places = []
    for number, campaign in enumerate(campaigns):
        for other in campaigns[:number]:
            _require_one_site(other, campaign)
        for i, name in enumerate(campaign.modules.name):
            if name in owner:
                _require_one_module(*owner[name], campaign, i)
            owner.setdefault(name, (campaign, i))
            place.setdefault(name, len(place))
        places.append(np.array([place[name] for name in campaign.modules.name]))
    return tuple(place), places


def _require_one_site(one: Campaign, other: Campaign) -> None:
    for name in _SHARED_SETTINGS:
        a, b = getattr(one.settings, name), getattr(other.settings, name)
        if a != b:
            raise InputError(
                f"{_called(one)} has {name} = {a!r} and {_called(other)} has {b!r}; campaigns that "
                "are fitted together must agree on it: mend a campaign.toml, or fit them one at a time"
            )
    if one.sha256 and one.sha256 == other.sha256:
        raise InputError(f"{_called(one)} was given twice; its counts can be used only once: give it once")


def _require_one_module(one: Campaign, i: int, other: Campaign, j: int) -> None:
    name = one.modules.name[i]
    here, there = one.modules.position_m[i], other.modules.position_m[j]
    if np.abs(here - there).max() > _SAME_PLACE_M:
        raise InputError(
            f"module {name} lies at (x, y, depth) = {_place(here)} m in {_called(one)} and at "
            f"{_place(there)} m in {_called(other)}; one module has one place: mend a modules.csv, or "
            "give it another name"
        )
    a, b = one.modules.relative_efficiency[i], other.modules.relative_efficiency[j]
    if a != b:
        raise InputError(
            f"module {name} has relative_efficiency {a:g} in {_called(one)} and {b:g} in {_called(other)}; "
            "campaigns that are fitted together share efficiencies: mend a modules.csv"
        )


def _called(campaign: Campaign) -> str:
    return f"{campaign.settings.site} {campaign.settings.season}"


def _place(position_m: NDArray[np.float64]) -> str:
    return "(" + ", ".join(f"{x:g}" for x in position_m) + ")"
