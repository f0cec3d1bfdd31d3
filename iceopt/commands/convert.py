"""`iceopt convert`: the same campaign in another form."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class Form(StrEnum):
    """Forms of a campaign."""

    CSV = "csv"
    PARQUET = "parquet"
    HDF5 = "hdf5"


def convert(
    campaign: Annotated[Path, typer.Argument(help="Campaign folder, or an HDF5 file holding its tables.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="New folder, or the HDF5 file to write.")],
    form: Annotated[
        Form, typer.Option(help="A folder of CSV or Parquet tables, or one HDF5 file.")
    ] = Form.HDF5,
) -> None:
    """Validate a campaign and write it in another form."""
    from iceopt.campaign.read import read_campaign
    from iceopt.campaign.write import write_campaign_folder, write_campaign_hdf5

    content = read_campaign(campaign)
    if form is Form.HDF5:
        write_campaign_hdf5(content, output)
    elif form is Form.PARQUET:
        write_campaign_folder(content, output, ".parquet", ".parquet")
    else:
        write_campaign_folder(content, output)
