"""Tables for others, as CSV with commented lines on top that say units and verdict."""

import csv
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from iceopt.errors import DomainError, InputError
from iceopt.ice.wavelength import absorption_length_at, draw_law, scattering_length_at
from iceopt.result.read import Array, Result

_QUANTILES = {"": 0.5, "_p2.5": 0.025, "_p16": 0.16, "_p84": 0.84, "_p97.5": 0.975}

LENGTHS = ("scattering_length_m", "absorption_length_m")
_LAW = "the power laws of Ackermann et al., J. Geophys. Res. 111, D13203 (2006), whose errors are included"

Rows = Iterable[Sequence[object]]


@dataclass(frozen=True)
class LayerDraws:
    """Draws of the layers' lengths at one wavelength."""

    wavelength_nm: float
    top_m: Array
    bottom_m: Array
    scattering_length_m: Array
    """Shape (draw, layer), chains joined."""
    absorption_length_m: Array
    note: str
    """How they came to this wavelength."""


def layer_draws(result: Result, wavelength_nm: float | None = None, warmer_k: float = 0.0) -> LayerDraws:
    """Draws of the layers at the result's wavelength, or at another by the published laws.

    Every draw takes its own draw of the law's parameters, so the law's errors are in what comes out; the
    numbers are drawn with the result's seed.

    Parameters
    ----------
    result : Result
    wavelength_nm : float, optional
    warmer_k : float
        `WavelengthLaw.warmer_k`.

    Raises
    ------
    InputError
        If the laws do not hold for the wavelength or the layers.
    """
    measured = float(result.attribute("wavelength_nm"))
    top, bottom = (result.values("constant_data", n) for n in ("layer_top", "layer_bottom"))
    le, la = result.draws("scattering_length"), result.draws("absorption_length")
    if wavelength_nm is None or wavelength_nm == measured:
        return LayerDraws(measured, top, bottom, le, la, f"at {measured:g} nm, as fitted")
    law = draw_law(len(le), np.random.default_rng(int(result.attribute("seed"))), warmer_k)
    try:
        le = scattering_length_at(wavelength_nm, le, measured, law)
        la = absorption_length_at(wavelength_nm, la, measured, law)
    except DomainError as error:
        raise InputError(f"{result.path}: {error}") from error
    note = (
        f"carried from {measured:g} to {wavelength_nm:g} nm by {_LAW}; the ice is {warmer_k:g} K warmer than "
        "that of the laws"
    )
    return LayerDraws(wavelength_nm, top, bottom, le, la, note)


def layer_table(layers: LayerDraws) -> tuple[list[str], Rows]:
    """Medians and quantiles of both lengths, one row a layer: header and rows."""
    header = ["wavelength_nm", "depth_top_m", "depth_bottom_m"]
    columns = [np.full(layers.top_m.shape, layers.wavelength_nm), layers.top_m, layers.bottom_m]
    for name in LENGTHS:
        header += [f"{name}{suffix}" for suffix in _QUANTILES]
        columns += list(np.quantile(getattr(layers, name), list(_QUANTILES.values()), axis=0))
    return header, zip(*columns, strict=True)


def draw_table(layers: LayerDraws) -> tuple[list[str], Rows]:
    """Every draw of every length, one row a draw."""
    return ["draw", *_quantities(layers)], ([i, *row] for i, row in enumerate(_joined(layers)))


def covariance_table(layers: LayerDraws) -> tuple[list[str], Rows]:
    """Mean and covariance matrix of the logarithms of all lengths (m), one row a length."""
    logarithms = np.log(_joined(layers))
    names = _quantities(layers)
    rows = zip(names, logarithms.mean(axis=0), np.cov(logarithms, rowvar=False), strict=True)
    return ["quantity", "mean_ln", *names], ([name, mean, *row] for name, mean, row in rows)


def _joined(layers: LayerDraws) -> Array:
    return np.hstack([getattr(layers, name) for name in LENGTHS])


def _quantities(layers: LayerDraws) -> list[str]:
    spans = [f"[{a:g}-{b:g}]" for a, b in zip(layers.top_m, layers.bottom_m, strict=True)]
    return [name + span for name in LENGTHS for span in spans]


def module_table(result: Result) -> tuple[list[str], Rows]:
    """Efficiencies and clock offsets, one row a module; empty cells where a module did not enter."""
    fitted = {m: i for i, m in enumerate(result.values("posterior", "module"))}
    efficiency, offset = result.draws("efficiency"), result.draws("time_offset")
    rows = []
    names, states = (result.values("constant_data", n) for n in ("site_module", "module_state"))
    for name, state in zip(names, states, strict=True):
        cells: list[object] = [""] * 4
        if name in fitted:
            drawn = (efficiency[:, fitted[name]], offset[:, fitted[name]])
            cells = [cell for d in drawn for cell in _mean_and_sd(d)]
        rows.append([name, *cells, state])
    header = [
        "module",
        "relative_efficiency",
        "relative_efficiency_sd",
        "time_offset_ns",
        "time_offset_sd_ns",
    ]
    return [*header, "state"], rows


def _mean_and_sd(draws: Array) -> list[object]:
    """Mean and standard deviation; empty where there are none."""
    return ["", ""] if np.isnan(draws).any() else [draws.mean(), draws.std(ddof=1)]


def run_table(result: Result) -> tuple[list[str], Rows]:
    """Brightnesses, one row a run; empty cells where a run did not enter."""
    fitted = {r: i for i, r in enumerate(result.values("posterior", "run"))}
    brightness = result.draws("brightness")
    rows = []
    names, states = (result.values("constant_data", n) for n in ("campaign_run", "run_state"))
    for name, state in zip(names, states, strict=True):
        cells = _mean_and_sd(brightness[:, fitted[name]]) if name in fitted else ["", ""]
        rows.append([name, *cells, state])
    return ["run", "brightness", "brightness_sd", "state"], rows


def _of_campaigns(
    table: Callable[[Result], tuple[list[str], Rows]], result: Result
) -> tuple[list[str], Rows]:
    """Table of each campaign; if there are several, one under another with the season in front."""
    views = result.campaigns()
    if len(views) == 1:
        return table(result)
    tables = [(str(view.attribute("season")), *table(view)) for view in views]
    return ["season", *tables[0][1]], [[season, *row] for season, _, rows in tables for row in rows]


LAYERS: dict[str, Callable[[LayerDraws], tuple[list[str], Rows]]] = {
    "layers": layer_table,
    "draws": draw_table,
    "covariance": covariance_table,
}
"""Tables of the layers' lengths, which can be had at another wavelength."""

NUISANCES: dict[str, Callable[[Result], tuple[list[str], Rows]]] = {
    "modules": module_table,
    "runs": run_table,
}

_NOTES = {
    "layers": "lengths in m: median and 2.5, 16, 84, 97.5 % quantiles; depth in m, positive down",
    "draws": "effective scattering and absorption lengths in m of the layer between the depths in brackets "
    "(m, positive down); one row a posterior draw, chains joined",
    "covariance": "mean of ln(length in m), and covariance matrix of these logarithms, over the posterior; "
    "depths of the layers in brackets (m, positive down)",
    "modules": "relative_efficiency: mean and sd, those of all fitted modules average 1; time_offset in ns: "
    "what the clock reads too late",
    "runs": "brightness: mean and sd, relative to photons_per_pulse of the flash table",
}


def export_csv(
    result: Result,
    what: str,
    path: str | Path,
    wavelength_nm: float | None = None,
    warmer_k: float = 0.0,
) -> None:
    """Write one table.

    Parameters
    ----------
    result : Result
    what : str
        One of `LAYERS` or `NUISANCES`.
    path : str or Path
    wavelength_nm, warmer_k : float
        As of `layer_draws`; for tables of the layers only.

    Raises
    ------
    InputError
        If a table that holds at all wavelengths is asked for at one, or as of `layer_draws`.
    """
    comments = [f"{result.attribute('site')} {result.attribute('season')}: {what}", _NOTES[what]]
    if what in LAYERS:
        layers = layer_draws(result, wavelength_nm, warmer_k)
        comments.append(layers.note)
        header, rows = LAYERS[what](layers)
    elif wavelength_nm is not None:
        raise InputError(
            f"table {what} holds no lengths, so it has no other wavelength; leave --wavelength out"
        )
    else:
        header, rows = _of_campaigns(NUISANCES[what], result)
    comments += [f"light model: {result.attribute('light_model')}", result.verdict]
    write_csv(path, comments, header, rows)


def write_csv(path: str | Path, comments: Iterable[str], header: Sequence[str], rows: Rows) -> None:
    """Write a table under commented lines, to a temporary name first."""
    path = Path(path)
    temporary = path.with_name(path.name + ".part")
    try:
        with temporary.open("w", encoding="utf-8", newline="") as file:
            file.writelines(f"# {line}\n" for line in comments)
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(header)
            writer.writerows([_cell(value) for value in row] for row in rows)
        os.replace(temporary, path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror})") from error
    finally:
        temporary.unlink(missing_ok=True)


def _cell(value: object) -> object:
    return f"{value:.6g}" if isinstance(value, float) else value
