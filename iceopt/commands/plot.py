"""`iceopt plot`: the figures of a result."""

from pathlib import Path
from typing import Annotated

import typer

from iceopt.errors import InputError


def plot(
    result: Annotated[Path, typer.Argument(help="Result file of `iceopt fit`.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="Folder for the figures; made if missing.")],
    only: Annotated[list[str] | None, typer.Option(help="Draw only this figure; may be repeated.")] = None,
) -> None:
    """Draw a result's figures as PDF and PNG."""
    from iceopt.figures.gallery import FIGURES, draw, save
    from iceopt.result.read import Result

    wanted = only or list(FIGURES)
    for name in wanted:
        if name not in FIGURES:
            raise InputError(f"there is no figure {name!r}; expected one of: {', '.join(FIGURES)}")
    with Result(result) as content:
        output.mkdir(parents=True, exist_ok=True)
        for name in wanted:
            for path in save(draw(name, content), output / name):
                typer.echo(str(path))
        if not content.converged:
            typer.echo(f"{result}: {content.verdict}", err=True)
