"""`iceopt export`: a table of a result as CSV."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class What(StrEnum):
    """Tables that can be exported."""

    layers = "layers"
    modules = "modules"
    runs = "runs"


def export(
    result: Annotated[Path, typer.Argument(help="Result file of `iceopt fit`.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="CSV file to write.")],
    what: Annotated[What, typer.Option(help="Which table.")] = What.layers,
) -> None:
    """Write layers, modules or runs of a result as CSV; lines with # say units and convergence."""
    from iceopt.result.export import export_csv
    from iceopt.result.read import Result

    with Result(result) as content:
        export_csv(content, what.value, output)
        if not content.converged:
            typer.echo(f"{result}: {content.verdict}", err=True)
