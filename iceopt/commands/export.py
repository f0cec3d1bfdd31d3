"""`iceopt export`: a table of a result for others."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from iceopt.errors import InputError

if TYPE_CHECKING:
    from iceopt.result.read import Result


class What(StrEnum):
    """Tables that can be exported."""

    layers = "layers"
    modules = "modules"
    runs = "runs"
    draws = "draws"
    covariance = "covariance"
    arrival_times = "arrival-times"


def export(
    result: Annotated[Path, typer.Argument(help="Result file of `iceopt fit`.")],
    output: Annotated[
        Path, typer.Option("--output", "-o", help="File to write: CSV; HDF5 for arrival-times.")
    ],
    what: Annotated[What, typer.Option(help="Which table.")] = What.layers,
    wavelength: Annotated[
        float | None,
        typer.Option(help="Layers, draws or covariance at this wavelength (nm) by published laws."),
    ] = None,
    warmer: Annotated[
        float, typer.Option(help="With --wavelength: ice is this much warmer than that of the laws (K).")
    ] = 0.0,
    step: Annotated[
        float, typer.Option(min=1.0, help="arrival-times: step in depth and in distance (m).")
    ] = 10.0,
    reach: Annotated[
        float, typer.Option(min=20.0, help="arrival-times: largest distance from emitter to receiver (m).")
    ] = 240.0,
    order: Annotated[int, typer.Option(min=1, max=9, help="arrival-times: order of the light model.")] = 5,
) -> None:
    """Write layers, modules, runs, draws or covariance as CSV, or arrival times as HDF5; says convergence."""
    from iceopt.result.export import export_csv
    from iceopt.result.read import Result

    if not output.parent.is_dir():
        raise InputError(f"{output}: the folder {output.parent} does not exist; make it first")
    with Result(result) as content:
        if what is What.arrival_times:
            _arrival_times(content, output, wavelength, (step, reach), order)
        else:
            export_csv(content, what.value, output, wavelength, warmer)
        if not content.final:
            typer.echo(f"{result}: {content.verdict}", err=True)


def _arrival_times(
    result: "Result", output: Path, wavelength_nm: float | None, spacing_m: tuple[float, float], order: int
) -> None:
    """Compute the arrival times in the median ice where there are data, and write them."""
    from iceopt.commands.progress import progress
    from iceopt.result.arrival_times import Medium, arrival_times, regular_grid, write_arrival_times

    if wavelength_nm is not None:
        raise InputError("arrival times are those of the wavelength that was fitted; leave --wavelength out")
    top, bottom = result.values("constant_data", "data_depth")
    grid = regular_grid(top, bottom, *spacing_m)
    medium = Medium(result.attribute("group_index"), result.attribute("scattering_anisotropy"))
    with progress("arrival times") as advance:
        fluence, density = arrival_times(result.median_ice(), medium, grid, order, advance)
    words = {n: result.attribute(n) for n in ("site", "season", "wavelength_nm", "verdict")}
    words |= {"light_model": f"layered moments of order {order} at the posterior median of every layer"}
    write_arrival_times(output, grid, fluence, density, words)
