"""`iceopt simulate`: a campaign drawn from a scenario by photon tracking."""

from pathlib import Path
from typing import Annotated

import typer


def simulate(
    scenario: Annotated[Path, typer.Argument(help="Scenario: layers, lines, flashes, faults, seed.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="New folder for the campaign.")],
) -> None:
    """Track the light of a scenario, draw a campaign from it, and write its tables with the truth beside."""
    from iceopt.commands.progress import progress
    from iceopt.simulate.draw import draw_campaign
    from iceopt.simulate.scenario import read_scenario
    from iceopt.simulate.write import refuse_existing, write_simulated

    content = read_scenario(scenario)
    refuse_existing(output)
    with progress("tracking photons") as done:
        campaign, truth = draw_campaign(content, done)
    write_simulated(output, content, campaign, truth)
    faint = float((truth.signal_error > 0.1).mean())
    typer.echo(
        f"{output}: {len(campaign.flashes.run)} runs, {len(campaign.modules.name)} modules, "
        f"{campaign.counts.shape[0]} pairs; {truth.collisions:.3g} collisions of {truth.photons} photons "
        f"an emitter depth; {faint:.0%} of the pairs have a charge known to worse than 10 %"
    )
