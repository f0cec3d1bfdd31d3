"""A plan on disk: flash table, forecasts, figures and a page."""

import csv
import io
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from iceopt.campaign.model import Campaign, Flashes
from iceopt.campaign.settings import bins_of
from iceopt.campaign.write import frames_of
from iceopt.errors import InputError
from iceopt.figures.gallery import save
from iceopt.figures.style import look
from iceopt.plan.figures import FIGURES
from iceopt.plan.page import render
from iceopt.plan.plan import Plan
from iceopt.plan.site import some


def write_plan(folder: Path, plan: Plan, done: Callable[[float], None] = lambda part: None) -> list[Path]:
    """Write everything of a plan into a folder; returns the paths.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        texts = {
            "flashes.csv": flashes_csv(plan),
            "forecast_layers.csv": layers_csv(plan),
            "forecast_modules.csv": modules_csv(plan),
            "plan.html": render(plan),
        }
        paths = []
        for name, text in texts.items():
            temporary = folder / f"{name}.part"
            temporary.write_text(text, encoding="utf-8")
            os.replace(temporary, folder / name)
            paths.append(folder / name)
        for number, (name, (draw, _)) in enumerate(FIGURES.items(), start=1):
            with look():
                figure = draw(plan)
            paths += save(figure, folder / name)
            done(number / len(FIGURES))
    except OSError as error:
        raise InputError(f"{folder}: cannot be written: {error.strerror or error}") from error
    return paths


def planned_flashes(plan: Plan) -> Flashes:
    """The chosen flashes, named in the order of their gain."""
    flashes = some(plan.scenario.candidates.flashes, plan.choice.which)
    return replace(flashes, run=tuple(f"R{i + 1:03d}" for i in range(len(flashes.run))))


def flashes_csv(plan: Plan) -> str:
    """Table of flashes as a campaign's folder holds it."""
    site, none = plan.scenario.site, np.zeros(0, dtype=np.int64)
    empty = np.zeros((0, bins_of(site.settings)), dtype=np.int32)
    campaign = Campaign(site.settings, site.modules, planned_flashes(plan), none, none, empty)
    return frames_of(campaign)["flashes"].write_csv()


def layers_csv(plan: Plan) -> str:
    """Forecast of the layers: expected lengths, and standard deviations of their logarithms."""
    ice, told, prior = plan.scenario.site.ice, plan.forecast.sd, plan.prior_sd
    names = ("scattering_length", "absorption_length")
    header = ["depth_top_m", "depth_bottom_m"]
    columns = [ice.edges_m[:-1], ice.edges_m[1:]]
    for name, length, sd, before in zip(
        names, (ice.scattering_length_m, ice.absorption_length_m), told, prior, strict=True
    ):
        header += [f"{name}_m", f"{name}_relative_sd", f"{name}_relative_sd_prior"]
        columns += [length, sd, before]
    return _csv(header, [[f"{x:.6g}" for x in row] for row in np.column_stack(columns)])


def modules_csv(plan: Plan) -> str:
    """Forecast of the modules: relative efficiency (mean 1) and clock offset."""
    told, modules = plan.forecast, plan.scenario.site.modules
    rows = [
        [name, f"{efficiency:.6g}", f"{offset:.6g}"]
        for name, efficiency, offset, alive in zip(
            modules.name, told.efficiency_sd, told.offset_sd_ns, modules.alive, strict=True
        )
        if alive
    ]
    return _csv(["module", "relative_efficiency_sd", "time_offset_sd_ns"], rows)


def _csv(header: list[str], rows: list[list[str]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([header, *rows])
    return text.getvalue()
