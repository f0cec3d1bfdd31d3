"""`iceopt batch`: many fits, on this machine or by a site's scheduler."""

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from iceopt.errors import InputError, Stopped

if TYPE_CHECKING:
    from iceopt.batch.state import Status

FAILED, NOT_CONVERGED, STOPPED = 1, 3, Stopped.exit_code
ENGINES = "local, slurm, htcondor, pbs, dask or mpi"


def batch(
    jobs: Annotated[Path, typer.Argument(help="Table of fits (TOML); see docs/batch.md.")],
    engine: Annotated[str | None, typer.Option(help=f"{ENGINES}; default: that of the table.")] = None,
    at_once: Annotated[int | None, typer.Option(min=1, help="Most fits at one time.")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Print what would be run.")] = False,
    status: Annotated[bool, typer.Option("--status", help="Show where every fit stands.")] = False,
    collect: Annotated[bool, typer.Option("--collect", help="One table, one figure of all results.")] = False,
) -> None:
    """Run a table of fits; what is done and whole is skipped, what was stopped goes on."""
    if dry_run + status + collect > 1:
        raise InputError("--dry-run, --status and --collect are three things; give one of them")

    from iceopt.batch.jobs import plan_of, read_jobs
    from iceopt.batch.run import script, start, statuses

    table = read_jobs(jobs)
    chosen = table.engine.with_options(engine, at_once)
    plan, configs = plan_of(jobs, table)
    found = statuses(plan)
    again = [one.task for one in found if one.again]
    if collect:
        from iceopt.batch.collect import collect as write
        from iceopt.batch.merge import with_merged

        found = with_merged(plan, found)
        for path in write(plan, found):
            typer.echo(str(path))
    elif dry_run:
        typer.echo(script(plan, again, chosen) if again else "# nothing is left to do")
    elif again and not status:
        typer.echo(f"{len(again)} of {len(found)} fits to do, engine {chosen.name}", err=True)
        how = start(plan, configs, again, chosen, lambda words: typer.echo(words, err=True))
        if how == "submitted":
            return
        found = statuses(plan)
    if not (dry_run or status or collect):
        from iceopt.batch.merge import with_merged

        found = with_merged(plan, found)
    if not dry_run:
        for line in report(found):
            typer.echo(line)
    if not (dry_run or status or collect):
        raise typer.Exit(_exit_code(found))


def report(found: Sequence["Status"]) -> list[str]:
    """A line a fit, the last lines of a failed one's log below it, and the numbers at the end."""
    lines = []
    for one in found:
        words = "NOT converged" if one.word == "done" and not one.converged else one.reason
        lines.append(f"{one.word:8s} {one.task.name}{': ' if words else ''}{words}")
        if one.word == "failed":
            lines += [f"             {line}" for line in one.tail]
            if not one.again:
                lines.append("         the input is bad: it is not tried again until it is changed")
    numbers = Counter(one.word for one in found)
    return [*lines, ", ".join(f"{n} {word}" for word, n in sorted(numbers.items()))]


def _exit_code(found: Sequence["Status"]) -> int:
    words = {one.word for one in found}
    if "failed" in words:
        return FAILED
    if words & {"waiting", "running"}:
        return STOPPED
    return 0 if all(one.converged for one in found) else NOT_CONVERGED
