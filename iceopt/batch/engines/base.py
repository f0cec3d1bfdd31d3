"""What every engine is given and what it does."""

import importlib
import shlex
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Protocol, get_args

from pydantic import BaseModel, ConfigDict, Field

from iceopt.errors import InputError, Stopped

Names = Literal["local", "slurm", "htcondor", "pbs", "dask", "mpi"]

STOPPED = Stopped.exit_code
"""Exit code of a task that asks to be started again."""


class EngineConfig(BaseModel):
    """How a site runs tasks: the table [engine] of JOBS.toml."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Names = "local"
    at_once: Annotated[int, Field(ge=1)] | None = None
    """Most tasks at one time; local default: as many as the cores allow."""
    walltime_min: Annotated[float, Field(gt=0)] = 240.0
    warn_s: Annotated[int, Field(ge=1)] = 120
    """A task is told to write its checkpoint this long before its walltime."""
    memory_mb: Annotated[int, Field(ge=1)] = 4000
    options: list[str] = []
    """Further lines for the head of the scheduler's script, as it wants them."""
    before: list[str] = []
    """Shell lines before the task: modules to load, environments to activate."""
    python: str = sys.executable
    """On the nodes."""
    address: str = ""
    """Of a running Dask scheduler; empty: dask-jobqueue starts workers through `queue`."""
    queue: Literal["slurm", "pbs"] = "slurm"
    """The scheduler that dask-jobqueue asks for workers."""

    def with_options(self, name: str | None, at_once: int | None) -> "EngineConfig":
        """These settings with the command line's in their place; None leaves a setting alone.

        Raises
        ------
        InputError
            If there is no such engine.
        """
        if name is not None and name not in get_args(Names):
            raise InputError(f"--engine: found {name!r}; expected one of: {', '.join(get_args(Names))}")
        given = {"name": name, "at_once": at_once}
        kept = {key: value for key, value in given.items() if value is not None}
        return EngineConfig.model_validate(self.model_dump() | kept)


@dataclass(frozen=True)
class TaskArray:
    """Tasks 0 to count - 1 of a module that has `run(argument, index) -> exit code` and is a program too."""

    name: str
    module: str
    argument: str
    count: int
    threads: int
    folder: Path
    """For the engine's script and output; all nodes see it."""

    def command(self, python: str) -> str:
        """Shell command of a task, to be followed by its index."""
        return shlex.join([python, "-m", self.module, self.argument])


Say = Callable[[str], None]


class Engine(Protocol):
    """A way to run an array of tasks."""

    waits: bool
    """Whether `start` returns when all tasks have ended, and not when they are queued."""

    def missing(self) -> str:
        """Say in words what this machine lacks for this engine; empty if nothing."""
        ...

    def script(self, array: TaskArray) -> str:
        """What would be run or submitted."""
        ...

    def start(self, array: TaskArray, say: Say) -> bool:
        """Run or submit the tasks; says in lines of words what happens.

        Returns
        -------
        bool
            False if the engine was told to stop before all tasks had ended.
        """
        ...


def call(module: str, argument: str, index: int) -> int:
    """Run one task in this process; for engines whose workers are Python."""
    code: int = importlib.import_module(module).run(argument, index)
    return code


def python_script(array: TaskArray, python: str, how: str) -> str:
    """What an engine of Python workers amounts to, as shell lines: one task a line."""
    lines = [f"{array.command(python)} {i}" for i in range(array.count)]
    return "\n".join([f"# {how}", f"export ICEOPT_THREADS={array.threads}", *lines, ""])


def not_found(*programs: str) -> str:
    """Say which programs are not on the PATH; empty if all are."""
    absent = [name for name in programs if shutil.which(name) is None]
    return f"{', '.join(absent)} not found on the PATH" if absent else ""


def submitted(command: list[str], script: Path, content: str) -> str:
    """Write a script, run the site's command that submits it, and return what that said.

    Raises
    ------
    InputError
        If the scheduler refuses it.
    """
    script.parent.mkdir(parents=True, exist_ok=True)
    script.write_text(content, encoding="utf-8")
    script.chmod(0o755)
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=script.parent)
    if done.returncode:
        said = " ".join((done.stderr or done.stdout).split()) or f"exit code {done.returncode}"
        raise InputError(f"{command[0]} refused {script}: {said}")
    return " ".join(done.stdout.split())
