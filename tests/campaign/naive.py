"""A second reader of campaign folders, as plain as can be: csv, gzip, tomllib and dictionaries only.

It checks nothing; it says what the files hold, to be compared with what `read_campaign` made of them.
"""

import csv
import gzip
import tomllib
from pathlib import Path

from iceopt.campaign.model import Campaign


def naive_folder(folder: Path) -> dict[str, object]:
    settings = tomllib.loads((folder / "campaign.toml").read_text(encoding="utf-8"))
    modules, flashes, counts = (_rows(folder, name) for name in ("modules", "flashes", "counts"))
    numbers = ("slot", "x_m", "y_m", "depth_m", "relative_efficiency")
    return {
        "settings": {f"{part} {key}": value for part in settings for key, value in settings[part].items()},
        "modules": [
            (row["module"], row["line"], row["state"] == "ok", *(float(row[key]) for key in numbers))
            for row in modules
        ],
        "flashes": [
            (row["run"], row["emitter"], *(float(row[key]) for key in list(row)[2:])) for row in flashes
        ],
        "counts": {
            (row["run"], row["module"], round(float(row["t_start_ns"]), 3)): float(row["count"])
            for row in counts
            if float(row["count"]) != 0
        },
        "once": len({(row["run"], row["module"], round(float(row["t_start_ns"]), 3)) for row in counts})
        == len(counts),
    }


def as_naive(campaign: Campaign) -> dict[str, object]:
    """The same of a campaign in memory."""
    s, modules, flashes = campaign.settings, campaign.modules, campaign.flashes
    settings = {
        **{f"campaign {key}": getattr(s, key) for key in ("site", "season", "note")},
        **{
            f"optics {key}": getattr(s, key)
            for key in ("wavelength_nm", "group_index", "scattering_anisotropy")
        },
        "emitter pattern": s.emitter_pattern,
        **{
            f"emitter {key}": getattr(s, key)
            for key in ("elevation_deg", "elevation_spread_deg", "brightness_spread")
        },
        "receiver axis": "down",
        **{
            f"receiver {key}": getattr(s, key)
            for key in (
                "effective_area_m2",
                "acceptance_slope",
                "efficiency_spread",
                "dark_rate_hz",
                "linear_up_to_per_pulse_ns",
                "timing_spread_ns",
            )
        },
        **{f"readout {key}": getattr(s, key) for key in ("bin_ns", "start_ns", "stop_ns")},
    }
    runs = [
        (
            flashes.run[i],
            modules.name[flashes.emitter[i]],
            flashes.photons_per_pulse[i],
            flashes.pulses[i],
            flashes.readout_top_m[i],
            flashes.readout_bottom_m[i],
            *([flashes.azimuth_deg[i]] if s.emitter_pattern == "single" else []),
        )
        for i in range(len(flashes.run))
    ]
    places = [
        (
            modules.name[i],
            modules.line[i],
            bool(modules.alive[i]),
            modules.slot[i],
            *modules.position_m[i],
            modules.relative_efficiency[i],
        )
        for i in range(len(modules.name))
    ]
    counts = {
        (
            flashes.run[campaign.pair_run[pair]],
            modules.name[campaign.pair_module[pair]],
            s.start_ns + float(bin_) * s.bin_ns,
        ): float(campaign.counts[pair, bin_])
        for pair, bin_ in zip(*campaign.counts.nonzero(), strict=True)
    }
    return {"settings": settings, "modules": places, "flashes": runs, "counts": counts, "once": True}


def _rows(folder: Path, name: str) -> list[dict[str, str]]:
    path = next(folder.glob(f"{name}.*"))
    content = path.read_bytes()
    text = (gzip.decompress(content) if path.suffix == ".gz" else content).decode("utf-8-sig")
    return list(csv.DictReader(text.splitlines(), strict=True))
