"""`iceopt crossvalidate`: leave flashes out, fit, and predict them."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from iceopt.fit.crossvalidation import Fold


def crossvalidate(
    campaign: Annotated[Path, typer.Argument(help="Campaign folder, or an HDF5 file of its tables.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="Folder for table and figure.")],
    config: Annotated[Path | None, typer.Option(help="Settings of the fits (TOML).")] = None,
    folds: Annotated[int, typer.Option(min=2, help="Fits; each leaves out every so many runs.")] = 5,
    hold_out: Annotated[
        list[str] | None, typer.Option(help="Leave out this run, in one fit; may be repeated.")
    ] = None,
) -> None:
    """Predict flashes by fits without them; stopped fits go on. Exit 3 if one did not converge."""
    from iceopt.campaign.check import find_faults
    from iceopt.campaign.read import read_campaign
    from iceopt.commands.fit import NOT_CONVERGED, fingerprint, stop_on_signal
    from iceopt.commands.progress import progress
    from iceopt.figures.gallery import save
    from iceopt.figures.heldout import held_out
    from iceopt.figures.style import look
    from iceopt.fit.checkpoint import Checkpoint
    from iceopt.fit.config import read_config
    from iceopt.fit.crossvalidation import folds_of, leave_out
    from iceopt.result.export import write_csv

    settings, content = read_config(config), read_campaign(campaign)
    verdicts = find_faults(content)
    chosen = [tuple(hold_out)] if hold_out else folds_of(content, verdicts, folds)
    output.mkdir(parents=True, exist_ok=True)
    same, stop = fingerprint([content], settings), stop_on_signal()
    found, stores = [], []
    with progress("cross-validation") as done:
        for number, runs in enumerate(chosen):
            place = output / f"fold_{number + 1}.checkpoint"
            stores.append(Checkpoint(place, same | {"runs left out": " ".join(runs)}, place.exists(), stop))
            found.append(leave_out(content, verdicts, runs, settings, stores[-1], lambda words, part: None))
            done((number + 1) / len(chosen))
    title = f"{content.settings.site} {content.settings.season}: flashes left out and predicted"
    with look():
        paths = save(held_out(found, title), output / "held_out")
    comments = [
        title,
        "pull: correlations between the pairs of a run taken out; standard normal if all is right",
    ]
    comments += [f"fit {k + 1}: {fold.verdict}" for k, fold in enumerate(found)]
    write_csv(output / "held_out.csv", comments, ["run", "module", "seen", "expected", "pull"], _rows(found))
    for store in stores:
        store.remove()
    for line in _table(found):
        typer.echo(line)
    for path in (*paths, output / "held_out.csv"):
        typer.echo(str(path))
    if not all(fold.converged for fold in found):
        raise typer.Exit(NOT_CONVERGED)


def _rows(folds: "list[Fold]") -> list[list[object]]:
    return [
        [run.run, module, float(seen), float(expected), float(pull)]
        for fold in folds
        for run in fold.runs
        for module, seen, expected, pull in zip(run.modules, run.seen, run.expected, run.pulls, strict=True)
    ]


def _table(folds: "list[Fold]") -> list[str]:
    """One line a run, and one on all."""
    import numpy as np

    lines = [f"{'run':8s} {'pairs':>5s} {'brightness':>10s} {'rms pull':>8s} {'chance':>7s}"]
    runs = [run for fold in folds for run in fold.runs]
    for run in runs:
        rms, brightness = np.sqrt(np.mean(run.pulls**2)), np.exp(run.log_brightness)
        lines.append(f"{run.run:8s} {run.pulls.size:5d} {brightness:10.3f} {rms:8.2f} {run.probability:7.3f}")
    pulls = np.concatenate([run.pulls for run in runs])
    within = [np.mean(np.abs(pulls) < edge) for edge in (1.0, 1.96)]
    lines.append(
        f"all: {pulls.size} pairs, rms pull {np.sqrt(np.mean(pulls**2)):.2f}; "
        f"{100 * within[0]:.0f} % within 1 (68 % if right), {100 * within[1]:.0f} % within 1.96 (95 %)"
    )
    return lines
