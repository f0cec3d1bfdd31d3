"""`iceopt report`: one page to hand on."""

from pathlib import Path
from typing import Annotated

import typer

from iceopt.errors import InputError


def report(
    results: Annotated[list[Path], typer.Argument(help="Result files of `iceopt fit`, one a season.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="HTML file to write.")],
) -> None:
    """Write one self-contained HTML page: the verdict, depth profiles to explore, checks, provenance."""
    if not output.parent.is_dir():
        raise InputError(f"{output}: the folder {output.parent} does not exist; make it first")
    from iceopt.commands.progress import progress
    from iceopt.report.page import write_report

    with progress("writing the page") as done:
        final = write_report(output, results, done)
    typer.echo(str(output))
    if not final:
        typer.echo(f"{output}: not all of its numbers are final; the page says which and why", err=True)
