"""`iceopt compare`: what changed between seasons."""

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from iceopt.errors import InputError

if TYPE_CHECKING:
    from iceopt.compare.comparison import Comparison


def compare(
    old: Annotated[Path, typer.Argument(help="Result file, or layer table (CSV), to compare with.")],
    new: Annotated[list[Path], typer.Argument(help="One or more later results or tables.")],
    output: Annotated[
        Path, typer.Option("--output", "-o", help="Folder for what is found; made if missing.")
    ],
    rate: Annotated[
        float,
        typer.Option(
            min=1e-6, max=0.5, help="False discoveries allowed: among layers named, and of any band."
        ),
    ] = 0.05,
    seed: Annotated[int, typer.Option(help="Seed of the random pairing of draws.")] = 1,
) -> None:
    """Find layers and bands that changed from OLD to each NEW; writes tables, a verdict and figures."""
    from iceopt.commands.progress import progress
    from iceopt.compare.comparison import compare as compare_profiles
    from iceopt.compare.profile import read_profile
    from iceopt.compare.verdict import HEADER, as_json, comments, rows, sentence
    from iceopt.result.export import write_csv

    if output.exists() and not output.is_dir():
        raise InputError(f"{output}: is a file; expected a folder")
    with progress("comparing") as advance:
        # Tables are drawn with seeds of their own, or two of them would share their errors.
        profiles = [read_profile(path, seed + i) for i, path in enumerate((old, *new))]
        comparisons = []
        for i, later in enumerate(profiles[1:], start=1):
            comparisons.append(compare_profiles(profiles[0], later, rate, seed))
            advance(i / len(new))
    output.mkdir(parents=True, exist_ok=True)
    table = [row for c in comparisons for row in rows(c)]
    write_csv(output / "changes.csv", comments(comparisons), HEADER, table)
    _write_text(output / "verdict.json", json.dumps([as_json(c) for c in comparisons], indent=2))
    _figures(comparisons, output)
    for c in comparisons:
        typer.echo(sentence(c))
        for note in c.notes:
            typer.echo(f"  {note}")


def _write_text(path: Path, text: str) -> None:
    temporary = path.with_name(path.name + ".part")
    temporary.write_text(text + "\n", encoding="utf-8")
    os.replace(temporary, path)


def _figures(comparisons: list["Comparison"], output: Path) -> None:
    from iceopt.figures.changes import change_profile, profiles_together
    from iceopt.figures.gallery import save
    from iceopt.figures.style import look

    with look():
        drawn = {"profiles": profiles_together(comparisons)}
        for i, c in enumerate(comparisons, start=1):
            drawn["change" if len(comparisons) == 1 else f"change_{i}"] = change_profile(c)
    for name, figure in drawn.items():
        save(figure, output / name)
