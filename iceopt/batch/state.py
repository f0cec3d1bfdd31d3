"""How far a batch is, found out from the files alone."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from iceopt.batch.plan import Plan, Task
from iceopt.errors import InputError, Stopped
from iceopt.files import is_held, write_whole
from iceopt.result.read import Result

REFUSED = (1, 2)
"""Exit codes that mean the input is bad: the same input would fail in the same way."""
STOPPED = Stopped.exit_code
"""Exit code of what can go on later."""
DIED = 70
"""Exit code of a task whose process died too often (EX_SOFTWARE of sysexits.h)."""

_TAIL = 3
"""Lines of a log that are shown."""

Word = Literal["done", "running", "failed", "waiting"]


@dataclass(frozen=True)
class Attempt:
    """How a task's last attempt ended."""

    code: int | None
    """None while it runs, and for ever if its worker died."""
    reason: str
    deaths: int
    """How many processes of this task died."""


@dataclass(frozen=True)
class Status:
    """Where a task stands."""

    task: Task
    word: Word
    reason: str
    again: bool
    """Whether a further start would begin it."""
    converged: bool = False
    tail: tuple[str, ...] = ()
    """Last lines of the log of a failed fit."""


def fault_of(plan: Plan, task: Task) -> tuple[str, bool]:
    """Say in words what is wrong with a task's result, empty if nothing is; and whether it converged.

    A result is good when it opens, its content matches its checksum, and it is of the task's inputs,
    configuration and version.
    """
    try:
        with Result(plan.result(task)) as result:
            result.verify()
            wanted = {
                "input": (list(result.attribute("input_sha256").values()), list(task.input_sha256)),
                "configuration": (result.attribute("configuration"), task.configuration),
                "version of iceopt": (result.attribute("versions")["iceopt"], task.version),
            }
            converged = result.converged
    except (InputError, OSError, KeyError, ValueError) as error:
        return str(error), False
    changed = [what for what, (found, expected) in wanted.items() if found != expected]
    if changed:
        return f"{plan.result(task)}: is of another {' and '.join(changed)} than its name says", False
    return "", converged


def read_attempt(path: Path) -> Attempt | None:
    """How the last attempt ended; None if there was none or its file tells nothing."""
    try:
        content = json.loads(path.read_bytes())
        return Attempt(content["code"], str(content["reason"]), int(content["deaths"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def write_attempt(path: Path, attempt: Attempt, **more: str | int) -> None:
    """Write how an attempt ended, or that one has begun."""
    write_whole(path, json.dumps(vars(attempt) | more).encode())


def status_of(plan: Plan, task: Task) -> Status:
    """Where a task stands."""
    damage = ""
    if plan.result(task).exists():
        damage, converged = fault_of(plan, task)
        if not damage:
            return Status(task, "done", "" if converged else "did not converge", False, converged)
    if is_held(plan.folder / task.name) or is_held(plan.result(task)):
        return Status(task, "running", "", False)
    return _status_at_rest(plan, task, damage)


def _status_at_rest(plan: Plan, task: Task, damage: str) -> Status:
    """Where a task without a good result stands that nobody is at."""
    attempt = read_attempt(plan.state(task))
    if attempt is None and not damage:
        return Status(task, "waiting", "", True)
    if attempt is not None and attempt.code == STOPPED:
        return Status(task, "waiting", f"goes on from its checkpoint: {attempt.reason}", True)
    refused = attempt is not None and attempt.code in REFUSED
    if attempt is None or (damage and not refused):
        reason = damage
    else:
        reason = "its worker died" if attempt.code is None else attempt.reason
    return Status(task, "failed", reason, not refused, tail=tail_of(plan.log(task)))


def tail_of(log: Path) -> tuple[str, ...]:
    """Last lines of a log."""
    try:
        with open(log, "rb") as file:
            file.seek(max(0, log.stat().st_size - 4096))
            lines = file.read().decode(errors="replace").splitlines()
    except OSError:
        return ()
    return tuple(line[:500] for line in lines if line.strip())[-_TAIL:]
