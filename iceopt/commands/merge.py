"""`iceopt merge`: the chains of fits that differ by their seed alone, as one result."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from iceopt.errors import InputError
from iceopt.files import held

NOT_CONVERGED = 3
"""Exit code of a merged result that has not converged."""


def merge(
    results: Annotated[list[Path], typer.Argument(help="Results of one fit with different seeds.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="Result file to write.")],
) -> None:
    """Merge fits that differ by nothing but their seed into one result; exit 3 if not converged."""
    if not output.parent.is_dir():
        raise InputError(f"{output}: the folder {output.parent} does not exist; make it first")

    from iceopt.result.merge import merge_results

    with held(output):
        merged = merge_results(results, output, ["iceopt", *sys.argv[1:]])
    typer.echo(f"{output}: {merged.verdict}")
    if not merged.converged:
        raise typer.Exit(NOT_CONVERGED)
