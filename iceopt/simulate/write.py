"""A simulated campaign on disk: the raw tables, and the truth beside them."""

import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from iceopt.campaign.model import Campaign
from iceopt.campaign.write import write_campaign_folder
from iceopt.errors import InputError
from iceopt.simulate.draw import Truth
from iceopt.simulate.scenario import Scenario


def refuse_existing(folder: Path) -> None:
    """Raise InputError if a campaign cannot be written there, before hours of tracking."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError(f"{folder}: exists already; give a new folder or an empty one")


def write_simulated(folder: Path, scenario: Scenario, campaign: Campaign, truth: Truth) -> None:
    """Write the campaign folder with its `truth.json`, all of it or nothing.

    Raises
    ------
    InputError
        If the folder holds something already or cannot be written.
    """
    refuse_existing(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        around = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", suffix=".partial", dir=folder.parent))
        try:
            write_campaign_folder(campaign, around / "campaign")
            text = json.dumps(truth_of(scenario, campaign, truth), indent=1)
            (around / "campaign" / "truth.json").write_text(text + "\n", encoding="utf-8")
            os.replace(around / "campaign", folder)
        finally:
            shutil.rmtree(around, ignore_errors=True)
    except OSError as error:
        raise InputError(f"{folder}: cannot be written: {error.strerror or error}") from error


def truth_of(scenario: Scenario, campaign: Campaign, truth: Truth) -> dict[str, Any]:
    """What the counts were drawn from, in plain values."""
    ice, lies, names = scenario.ice, scenario.attitude, campaign.modules.name
    return {
        "attitude": {
            "slope": [lies.slope_x, lies.slope_y],
            "stretch": [lies.stretch_cos, lies.stretch_sin],
        },
        "layer_edges_m": ice.edges_m.tolist(),
        "scattering_length_m": ice.scattering_length_m.tolist(),
        "absorption_length_m": ice.absorption_length_m.tolist(),
        "module_efficiency": _by_name(names, truth.efficiency),
        "time_offset_ns": _by_name(names, truth.time_offset_ns),
        "silent": list(scenario.silent),
        "noisy": list(scenario.noisy_hz),
        "mistimed": scenario.mistimed_ns,
        "dark_rate_hz": _by_name(names, truth.dark_rate_hz),
        "runs": [
            {"run": run, "brightness": float(value)}
            for run, value in zip(campaign.flashes.run, truth.brightness, strict=True)
        ],
        "tracking": {
            "seed": scenario.seed,
            "photons_per_emitter_depth": truth.photons,
            "collisions": truth.collisions,
            "median_relative_error_of_charge": float(np.median(truth.signal_error)),
        },
    }


def _by_name(names: tuple[str, ...], values: np.ndarray) -> dict[str, float]:
    return dict(zip(names, values.tolist(), strict=True))
