"""One task of a batch, wherever it runs: `python -m iceopt.batch.task PLAN INDEX`.

It may be started any number of times, anywhere, at the same time: it does nothing if its result is there or
another process is at it, and goes on from the checkpoint if there is one. The fit itself is a process of its
own, so that this one lives to tell how it ended.
"""

import os
import platform
import signal
import subprocess
import sys
import threading

from iceopt.batch.plan import Plan, Task, read_plan
from iceopt.batch.state import (
    DIED,
    REFUSED,
    STOPPED,
    Attempt,
    fault_of,
    read_attempt,
    tail_of,
    write_attempt,
)
from iceopt.campaign.read import campaign_sha256
from iceopt.errors import DiskError, InputError
from iceopt.files import NameHeld, held


class Stop:
    """Told once by whoever gets the signal; passes it on to all running fits."""

    def __init__(self) -> None:
        self.told = False
        self._fits: set[subprocess.Popen[bytes]] = set()
        self._lock = threading.RLock()  # a signal may come while the same thread holds it

    def tell(self, *_: object) -> None:
        """Ask every fit to write its checkpoint and end; those begun later are asked at once."""
        with self._lock:
            self.told = True
            for fit in self._fits:
                fit.terminate()

    def wait(self, fit: "subprocess.Popen[bytes]") -> int:
        """Wait for a fit; returns its exit code, negative if a signal killed it."""
        with self._lock:
            self._fits.add(fit)
            if self.told:
                fit.terminate()
        code = fit.wait()
        with self._lock:
            self._fits.discard(fit)
        return code


def run(argument: str, index: int, stop: Stop | None = None) -> int:
    """Bring one task of a plan as far as it goes.

    Parameters
    ----------
    argument : str
        Path of the plan.
    index : int
        Of the task in it.
    stop : Stop, optional

    Returns
    -------
    int
        0 done, 1 or 2 bad input, 3 done but not converged, 70 its process died too often, 74 the disk failed,
        75 it can go on: start it again.
    """
    plan = read_plan(argument)
    task = plan.tasks[index]
    try:
        with held(plan.folder / task.name):
            return _run_held(plan, task, stop or Stop())
    except NameHeld:
        print(f"{task.name}: another process is at it", file=sys.stderr)
        return 0
    except OSError as error:
        print(f"{task.name}: {error}", file=sys.stderr)
        return DiskError.exit_code


def _run_held(plan: Plan, task: Task, stop: Stop) -> int:
    if plan.result(task).exists():
        fault, converged = fault_of(plan, task)
        if not fault:
            return 0 if converged else 3
    before = read_attempt(plan.state(task))
    deaths = 0 if before is None else before.deaths + (before.code is None)
    if deaths >= plan.attempts:
        return _ended(plan, task, Attempt(DIED, f"its process died {deaths} times", deaths))
    changed = _changed(task)
    if changed:
        return _ended(plan, task, Attempt(1, changed, deaths))
    write_attempt(plan.state(task), Attempt(None, "", deaths), host=platform.node(), pid=os.getpid())
    code = _fit(plan, task, stop)
    return _ended(plan, task, _judged(plan, task, code, deaths, stop.told))


def _changed(task: Task) -> str:
    """Say in words if a campaign is no longer what it was when the batch was started."""
    try:
        now = tuple(campaign_sha256(path) for path in task.campaigns)
    except InputError as error:
        return str(error)
    if now == task.input_sha256:
        return ""
    return f"{', '.join(task.campaigns)}: changed since the batch was started; start it again"


def _fit(plan: Plan, task: Task, stop: Stop) -> int:
    result = plan.result(task)
    command = [sys.executable, "-m", "iceopt", "fit", *task.campaigns, "--output", str(result)]
    command += ["--config", str(plan.config(task)), "--seed", str(task.configuration["seed"])]
    if (result.with_name(result.name + ".checkpoint") / "fingerprint.json").exists():
        command += ["--resume"]
    environment = os.environ | {"ICEOPT_THREADS": str(plan.threads)}
    with open(plan.log(task), "ab") as log:
        # Its own group: Ctrl-C at a terminal reaches the batch alone, which asks the fits to stop.
        fit = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
            env=environment,
            process_group=0,
        )
        return stop.wait(fit)


def _judged(plan: Plan, task: Task, code: int, deaths: int, stopping: bool) -> Attempt:
    """What a fit's exit code means for its task."""
    if code in (0, 3):
        fault, _ = fault_of(plan, task)
        return Attempt(1 if fault else code, fault, deaths)
    if code == STOPPED or (stopping and code < 0):
        return Attempt(STOPPED, "it was told to stop", deaths)
    if code >= 0:
        said = tail_of(plan.log(task))
        return Attempt(code, said[-1] if said else f"exit code {code}", deaths)
    deaths += 1
    reason = f"its process was killed by {signal.Signals(-code).name}"
    if deaths < plan.attempts:
        return Attempt(STOPPED, reason, deaths)
    return Attempt(DIED, f"{reason}, the last of {deaths} deaths", deaths)


def _ended(plan: Plan, task: Task, attempt: Attempt) -> int:
    write_attempt(plan.state(task), attempt, host=platform.node(), pid=os.getpid())
    assert attempt.code is not None
    if attempt.code in (*REFUSED, DIED, DiskError.exit_code):
        print(f"{task.name}: {attempt.reason}", file=sys.stderr)
    return attempt.code


def main() -> int:
    """Run the task that the command line names; the scheduler's signals stop its fit."""
    stop = Stop()
    for number in (signal.SIGTERM, signal.SIGUSR1, signal.SIGINT):
        signal.signal(number, stop.tell)
    return run(sys.argv[1], int(sys.argv[2]), stop)


if __name__ == "__main__":
    sys.exit(main())
