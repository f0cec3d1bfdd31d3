"""A small invented site whose light is the closed form, without an error of its own."""

from dataclasses import replace

import numpy as np

from iceopt.campaign.model import Modules, Settings
from iceopt.fit.config import FitConfig
from iceopt.ice.layers import Ice
from iceopt.plan.site import Candidates, Site, candidates_of
from tests.fitting import ExactClosedForm
from tests.synthetic import draw_campaign

SETTINGS: Settings = draw_campaign()[0].settings
EDGES_M = (1500.0, 1540.0, 1580.0, 1620.0)


def config(**changes: dict[str, object]) -> FitConfig:
    """Three layers, light along lines as good as any other; sections may be changed."""
    error = {"own_line": 0.0} | changes.pop("error", {})
    return FitConfig.model_validate({"layers": {"edges_m": EDGES_M}, "error": error} | changes)


def modules(lines: int = 3, each: int = 8) -> Modules:
    """Lines on a triangle of 60 m, modules 16 m apart from 1500 m down."""
    xy = [(0.0, 0.0), (60.0, 0.0), (30.0, 52.0)][:lines]
    return Modules(
        name=tuple(f"L{line + 1}-{slot + 1:02d}" for line in range(lines) for slot in range(each)),
        line=tuple(f"L{line + 1}" for line in range(lines) for _ in range(each)),
        slot=np.tile(np.arange(1, each + 1), lines),
        position_m=np.array([(*place, 1500.0 + 16.0 * slot) for place in xy for slot in range(each)]),
        relative_efficiency=np.ones(lines * each),
        alive=np.ones(lines * each, dtype=bool),
    )


def site(fit: FitConfig | None = None, array: Modules | None = None, **settings: object) -> Site:
    """The site with changes to the settings; errors of 5 % in charge and profile."""
    ice = Ice(EDGES_M, [14.0, 9.0, 12.0], [100.0, 70.0, 120.0])
    chosen = replace(SETTINGS, **settings)  # type: ignore[arg-type]
    errors = np.array([np.log(0.05), 0.3, np.log(0.04)])
    return Site(chosen, array or modules(), ice, fit or config(), errors, ExactClosedForm)


def flashes(
    where: Site,
    options: tuple[tuple[float, int], ...] = ((2e9, 200),),
    emitters: range | list[int] | None = None,
    half_window_m: float = 60.0,
    azimuths_deg: tuple[float, ...] = (np.nan,),
) -> Candidates:
    """Candidates that cost an hour a hundred pulses."""
    chosen = range(len(where.modules.name)) if emitters is None else emitters
    return candidates_of(
        where.modules, chosen, options, half_window_m, lambda pulses: pulses / 100.0, azimuths_deg
    )
