"""`iceopt plot`: the figures of a result."""

from pathlib import Path
from typing import Annotated, Any

import typer

from iceopt.errors import InputError


def plot(
    result: Annotated[Path, typer.Argument(help="Result file of `iceopt fit`.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="Folder for the figures; made if missing.")],
    only: Annotated[list[str] | None, typer.Option(help="Draw only this figure; may be repeated.")] = None,
    pair: Annotated[
        list[str] | None,
        typer.Option(help="RUN:MODULE, a pair to show in time_profiles; may be repeated."),
    ] = None,
    depth: Annotated[
        list[float] | None,
        typer.Option(help="Depth (m) of a layer to show in corner; may be repeated."),
    ] = None,
) -> None:
    """Draw a result's figures as PDF and PNG."""
    from iceopt.commands.progress import progress
    from iceopt.figures.checks import names_of_pairs
    from iceopt.figures.gallery import FIGURES, draw, save, views
    from iceopt.result.read import Result

    wanted = only or list(FIGURES)
    for name in wanted:
        if name not in FIGURES:
            raise InputError(f"there is no figure {name!r}; expected one of: {', '.join(FIGURES)}")
    pairs = _pairs(pair or [])
    choices: dict[str, dict[str, Any]] = {
        "time_profiles": {"pairs": pairs},
        "corner": {"depths_m": depth or []},
    }
    with Result(result) as content, progress("drawing") as done:
        output.mkdir(parents=True, exist_ok=True)
        for number, name in enumerate(wanted, start=1):
            some = views(name, content)
            if name == "time_profiles" and pairs:  # run names say which campaigns are meant
                some = [v for v in some if not set(pairs).isdisjoint(names_of_pairs(v[1]))] or some
            for stem, view in some:
                figure = draw(name, view, **choices.get(name, {}))
                for path in save(figure, output / stem):
                    typer.echo(str(path))
            done(number / len(wanted))
        if not content.final:
            typer.echo(f"{result}: {content.verdict}", err=True)


def _pairs(words: list[str]) -> list[tuple[str, str]]:
    pairs = []
    for word in words:
        run, colon, module = word.partition(":")
        if not (run and colon and module):
            raise InputError(f"--pair {word!r}: expected RUN:MODULE, such as R014:L02-35")
        pairs.append((run, module))
    return pairs
