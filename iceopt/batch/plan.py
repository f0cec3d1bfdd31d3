"""What a batch is to do, as one file that never changes: tasks on nodes read it and nothing else.

The name of a result carries a hash of its inputs, configuration and version, so another configuration is
another result, and two batches can share a folder.
"""

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from iceopt.errors import InputError
from iceopt.files import write_whole


@dataclass(frozen=True)
class Task:
    """One fit."""

    name: str
    """Of its files in the batch's folder, without an ending."""
    campaigns: tuple[str, ...]
    """Absolute paths."""
    input_sha256: tuple[dict[str, str], ...]
    """Of each campaign: hash of each of its files."""
    configuration: dict[str, Any]
    """All settings, the seed among them."""
    version: str
    """Of iceopt."""
    group: str = ""
    """Name of the result into which it is merged with others; empty: it stands alone."""


@dataclass(frozen=True)
class Plan:
    """The tasks of one start of a batch."""

    folder: Path
    threads: int
    """Kernel threads of each fit."""
    attempts: int
    """How often a task whose process died is begun."""
    tasks: tuple[Task, ...]

    def result(self, task: Task) -> Path:
        """Result file of a task."""
        return self.folder / f"{task.name}.h5"

    def config(self, task: Task) -> Path:
        """Copy of a task's settings, as they were when the batch was started."""
        return self.folder / f"{task.name}.toml"

    def log(self, task: Task) -> Path:
        """All that a task's fits have said."""
        return self.folder / f"{task.name}.log"

    def state(self, task: Task) -> Path:
        """How a task's last attempt ended."""
        return self.folder / f"{task.name}.json"


def key_of(input_sha256: tuple[dict[str, str], ...], configuration: dict[str, Any], version: str) -> str:
    """Ten hexadecimal digits that stand for everything a result depends on."""
    content = json.dumps([input_sha256, configuration, version], sort_keys=True)
    return hashlib.sha256(content.encode()).hexdigest()[:10]


def plan_path(plan: Plan) -> Path:
    """Where a plan is written: under a name made of its content."""
    return plan.folder / "engine" / f"plan-{hashlib.sha256(_content(plan)).hexdigest()[:10]}.json"


def write_plan(plan: Plan) -> Path:
    """Write a plan; returns its path."""
    path = plan_path(plan)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, _content(plan))
    return path


def _content(plan: Plan) -> bytes:
    return json.dumps(asdict(plan) | {"folder": str(plan.folder)}, sort_keys=True, indent=1).encode()


def read_plan(path: str | Path) -> Plan:
    """Read what `write_plan` wrote.

    Raises
    ------
    InputError
        If it is not a whole plan.
    """
    try:
        content = json.loads(Path(path).read_bytes())
        tasks = tuple(
            Task(
                **entry
                | {"campaigns": tuple(entry["campaigns"]), "input_sha256": tuple(entry["input_sha256"])}
            )
            for entry in content["tasks"]
        )
        return Plan(Path(content["folder"]), content["threads"], content["attempts"], tasks)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(f"{path}: is not a plan of `iceopt batch`; start the batch again") from error
