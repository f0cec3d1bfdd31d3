"""Start a batch: what is left to do becomes a plan, and the plan an array of tasks."""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Literal

from iceopt.batch.engines import engine_of
from iceopt.batch.engines.base import EngineConfig, Say, TaskArray
from iceopt.batch.plan import Plan, Task, plan_path, write_plan
from iceopt.batch.state import Status, status_of
from iceopt.errors import InputError
from iceopt.files import write_whole


def statuses(plan: Plan) -> list[Status]:
    """Where every task of a plan stands."""
    return [status_of(plan, task) for task in plan.tasks]


def array_of(plan: Plan, path: Path) -> TaskArray:
    """The array of tasks that runs a plan written at a path."""
    name = f"iceopt-{path.stem.removeprefix('plan-')}"
    return TaskArray(
        name, "iceopt.batch.task", str(path), len(plan.tasks), plan.threads, plan.folder / "engine"
    )


def start(
    plan: Plan, configs: dict[str, bytes], again: Iterable[Task], engine_config: EngineConfig, say: Say
) -> Literal["ended", "stopped", "submitted"]:
    """Begin tasks.

    Parameters
    ----------
    plan : Plan
    configs : dict
        Content of each task's settings file, by name.
    again : iterable of Task
        Those to begin.
    engine_config : EngineConfig
    say : callable
        Told in lines of words what goes on.

    Returns
    -------
    str
        'submitted' if a scheduler has them now; 'stopped' if a signal came before all had ended.

    Raises
    ------
    InputError
        If this machine lacks what the engine needs, or the scheduler refuses.
    """
    engine = engine_of(engine_config)
    missing = engine.missing()
    if missing:
        raise InputError(f"engine {engine_config.name}: {missing}; `iceopt doctor` tells more")
    part = replace(plan, tasks=tuple(again))
    plan.folder.mkdir(parents=True, exist_ok=True)
    for task in part.tasks:
        write_whole(plan.config(task), configs[task.name])
        plan.state(task).unlink(missing_ok=True)
    ended = engine.start(array_of(part, write_plan(part)), say)
    if not engine.waits:
        return "submitted"
    return "ended" if ended else "stopped"


def script(plan: Plan, again: Iterable[Task], engine_config: EngineConfig) -> str:
    """What `start` would run or submit, nothing being written."""
    part = replace(plan, tasks=tuple(again))
    return engine_of(engine_config).script(array_of(part, plan_path(part)))
