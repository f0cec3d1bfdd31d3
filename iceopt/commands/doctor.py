"""`iceopt doctor`: check a site before a batch."""

from pathlib import Path
from typing import Annotated

import typer


def doctor(
    jobs: Annotated[Path | None, typer.Argument(help="Table of fits; none: here, engine local.")] = None,
    engine: Annotated[str | None, typer.Option(help="Engine to check; default: that of the table.")] = None,
    wait: Annotated[float, typer.Option(min=1.0, help="Wait this long for a node's answer (s).")] = 120.0,
) -> None:
    """Check scheduler, shared folder, packages, threads and file locks, here and on a node; exit 1 if bad."""
    from iceopt.batch.doctor import checks
    from iceopt.batch.engines.base import EngineConfig
    from iceopt.batch.jobs import BatchConfig, folder_of, read_jobs

    if jobs is None:
        folder, config, settings = Path.cwd(), EngineConfig(), BatchConfig()
    else:
        table = read_jobs(jobs)
        folder, config, settings = folder_of(jobs, table), table.engine, table.batch
    bad = 0
    for check in checks(folder, config.with_options(engine, None), settings.threads, wait):
        typer.echo(f"{'ok ' if check.good else 'BAD'}  {check.what}: {check.found}")
        bad += not check.good
    if bad:
        raise typer.Exit(1)
