"""`iceopt plan`: what a planned campaign would measure, and which flashes to make."""

from pathlib import Path
from typing import Annotated

import typer

_MOST_SHOWN = 20


def plan(
    scenario: Annotated[
        Path, typer.Argument(help="Scenario: lines, expected ice, possible flashes, budget (TOML).")
    ],
    output: Annotated[Path, typer.Option("--output", "-o", help="Folder for the plan; made if missing.")],
) -> None:
    """Forecast the precision of a campaign, choose its flashes under a budget, and print the cautions."""
    from iceopt.commands.progress import progress
    from iceopt.plan.plan import make_plan
    from iceopt.plan.scenario import read_plan_scenario
    from iceopt.plan.words import flash_rows, headline, nuisance_words
    from iceopt.plan.write import write_plan

    content = read_plan_scenario(scenario)
    with progress("planning") as done:
        found = make_plan(content, done)
    with progress("drawing") as drawn:
        paths = write_plan(output, found, drawn)
    for line in (*headline(found), nuisance_words(found)):
        typer.echo(line)
    typer.echo(
        f"{'run':<6}{'emitter':<12}{'photons':>9}{'pulses':>8}{'hours':>8}{'gain %':>8}{'receivers':>11}"
    )
    rows = flash_rows(found)
    for row in rows[:_MOST_SHOWN]:
        typer.echo(
            f"{row['run']:<6}{row['emitter']:<12}{row['photons']:>9}{row['pulses']:>8}{row['hours']:>8}"
            f"{row['gain']:>8}{row['receivers']:>11}"
        )
    if len(rows) > _MOST_SHOWN:
        typer.echo(f"... and {len(rows) - _MOST_SHOWN} more in {output / 'flashes.csv'}")
    typer.echo("Cautions")
    for line in found.cautions:
        typer.echo(f"* {line}")
    typer.echo(f"{output}: {', '.join(path.name for path in paths if path.suffix != '.pdf')}")
