"""`iceopt fit`: from campaigns to a result file."""

import hashlib
import json
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from iceopt.errors import NOT_CONVERGED, InputError
from iceopt.files import held

if TYPE_CHECKING:
    from iceopt.campaign.model import Campaign
    from iceopt.fit.config import FitConfig


def fit(
    campaigns: Annotated[
        list[Path],
        typer.Argument(help="Campaign folder, or an HDF5 file of its tables; several of one site."),
    ],
    output: Annotated[Path, typer.Option("--output", "-o", help="Result file to write.")],
    config: Annotated[
        Path | None, typer.Option(help="Settings (TOML); those left out have defaults.")
    ] = None,
    sampler: Annotated[str | None, typer.Option(help="Sampler: auto, ensemble, gradient or laplace.")] = None,
    resume: Annotated[bool, typer.Option("--resume", help="Go on with a fit that was stopped.")] = False,
    seed: Annotated[int | None, typer.Option(help="Seed of the random numbers.")] = None,
    time_limit: Annotated[float | None, typer.Option(help="Stop after this time (s).")] = None,
) -> None:
    """Fit scattering and absorption lengths, efficiencies and clock offsets; exit 3 if not converged."""
    started, stop = datetime.now(UTC), stop_on_signal()
    if not output.parent.is_dir():
        raise InputError(f"{output}: the folder {output.parent} does not exist; make it first")

    from numba import get_num_threads

    from iceopt.fit.config import read_config
    from iceopt.light.moments.ahead import compile_ahead

    settings = read_config(config).with_options(kind=sampler, seed=seed, time_limit_s=time_limit)
    if settings.model.name != "closed-form" and get_num_threads() > 1:
        compile_ahead()  # before the rest is imported, which takes seconds

    from iceopt.campaign.check import find_faults
    from iceopt.campaign.read import read_campaign
    from iceopt.fit.checkpoint import Checkpoint
    from iceopt.fit.outcome import fit as run_fit
    from iceopt.fit.problem import Problem
    from iceopt.result.write import write_result

    contents = [read_campaign(path) for path in campaigns]
    problem = Problem([(content, find_faults(content)) for content in contents], settings)
    folder = output.with_name(output.name + ".checkpoint")
    with held(output):
        store = Checkpoint(folder, fingerprint(contents, settings), resume, stop)
        with _progress() as watch:
            outcome = run_fit(problem, store, watch)
        write_result(output, outcome, ["iceopt", *sys.argv[1:]], started, [str(p) for p in campaigns])
        store.remove()
    typer.echo(f"{output}: {outcome.verdict}")
    if not outcome.converged:
        raise typer.Exit(NOT_CONVERGED)


def stop_on_signal() -> Callable[[], bool]:
    """Let the signals by which schedulers end a job only raise a flag; returns what tells it."""
    told: list[int] = []
    for number in (signal.SIGTERM, signal.SIGUSR1):
        signal.signal(number, lambda found, _: told.append(found))
    return lambda: bool(told)


def fingerprint(campaigns: Sequence["Campaign"], settings: "FitConfig") -> dict[str, str]:
    """What must not change between a fit and its resumption; the time limit may."""
    from iceopt import __version__

    kept = settings.model_dump(mode="json")
    del kept["sampler"]["time_limit_s"]
    counts = json.dumps([campaign.sha256 for campaign in campaigns], sort_keys=True)
    return {
        "campaign": hashlib.sha256(counts.encode()).hexdigest(),
        "configuration": json.dumps(kept, sort_keys=True),
        "version of iceopt": __version__,
    }


@contextmanager
def _progress() -> Iterator[Callable[[str, float | None], None]]:
    """A bar on a terminal; elsewhere a line every ten seconds. Both go to stderr."""
    import time

    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        said = [-10.0]

        def say(words: str, part: float | None) -> None:
            if time.monotonic() - said[0] >= 10.0:
                said[0] = time.monotonic()
                print(words, file=sys.stderr, flush=True)

        yield say
        return
    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("reading", total=None)

        def show(words: str, part: float | None) -> None:
            bar.update(task, description=words, completed=part or 0.0, total=None if part is None else 1.0)

        yield show
