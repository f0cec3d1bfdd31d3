"""`iceopt predict`: expected counts of a campaign for a given ice."""

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from iceopt.errors import InputError

if TYPE_CHECKING:
    from iceopt.ice.attitude import Attitude
    from iceopt.ice.layers import Ice


def predict(
    ice: Annotated[Path, typer.Argument(help="Layer table (CSV) or result file (HDF5).")],
    campaign: Annotated[Path, typer.Argument(help="Campaign folder, or an HDF5 file of its tables.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="HDF5 file to write.")],
    order: Annotated[
        int,
        typer.Option(
            min=1, max=9, help="Order of the layered light model; from 5 on lifted to 9, as in fits."
        ),
    ] = 5,
    slope: Annotated[
        tuple[float, float] | None,
        typer.Option(help="How much deeper layers lie a metre along x and y; a result's own by default."),
    ] = None,
    stretch: Annotated[
        tuple[float, float] | None,
        typer.Option(help="cos and sin part of the stretch of distances; a result's own by default."),
    ] = None,
) -> None:
    """Write the expected counts of every pair: brightness and efficiency 1, no offsets, no dark counts."""
    if not output.parent.is_dir():
        raise InputError(f"{output}: the folder {output.parent} does not exist; make it first")

    import h5py

    from iceopt.campaign.read import read_campaign
    from iceopt.commands.progress import progress
    from iceopt.ice.attitude import Attitude
    from iceopt.light.moments.lifted import best_moments
    from iceopt.light.scene import scene_of

    content, (layers, attitude) = read_campaign(campaign), _ice(ice)
    found = attitude.values
    lying = Attitude(*(slope or found[:2].tolist()), *(stretch or found[2:].tolist()))
    with progress(f"order {order}: expected counts") as advance:
        model = best_moments(scene_of(content, lying), order)
        expected = model.expected(layers)
        advance(1.0)
    part = output.with_name(output.name + ".partial")
    try:
        with h5py.File(part, "w") as file:
            names = h5py.string_dtype()
            file.create_dataset("run", data=[content.flashes.run[i] for i in content.pair_run], dtype=names)
            file.create_dataset(
                "module", data=[content.modules.name[i] for i in content.pair_module], dtype=names
            )
            file["t_start_ns"] = content.bin_edges_ns[:-1]
            file["t_start_ns"].attrs["units"] = "ns"
            file.create_dataset("expected", data=expected, compression="gzip", shuffle=True)
            file["expected"].attrs["units"] = "photoelectrons"
            file.attrs["light_model"] = model.name
            file.attrs["attitude"] = lying.values
        os.replace(part, output)
    finally:
        part.unlink(missing_ok=True)
    typer.echo(f"{output}: expected counts of {len(expected)} pairs by {model.name}")


def _ice(path: Path) -> "tuple[Ice, Attitude]":
    """Read the ice of a layer table, level, or the medians of a result, and how it lies."""
    if path.suffix.lower() not in (".h5", ".hdf5", ".nc"):
        from iceopt.ice.attitude import LEVEL
        from iceopt.ice.table import read_layer_table

        return read_layer_table(path), LEVEL

    from iceopt.result.read import Result

    with Result(path) as result:
        return result.median_ice(), result.attitude
