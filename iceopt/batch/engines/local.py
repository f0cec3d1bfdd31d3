"""Processes on this machine."""

import os
import signal
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module

from iceopt.batch.engines.base import STOPPED, EngineConfig, Say, TaskArray, python_script
from iceopt.batch.task import Stop
from iceopt.errors import InputError


class Local:
    """As many tasks at one time as the cores allow; a signal asks them to write their checkpoints."""

    waits = True

    def __init__(self, config: EngineConfig) -> None:
        self._config = config

    def missing(self) -> str:
        """Nothing is needed."""
        return ""

    def script(self, array: TaskArray) -> str:
        """One task a line."""
        how = f"{self._at_once(array)} at one time on this machine:"
        return python_script(array, self._config.python, how)

    def start(self, array: TaskArray, say: Say) -> bool:
        """Run the tasks, again those that ask for it."""
        run, stop = import_module(array.module).run, Stop()

        def until_done(index: int) -> None:
            code = STOPPED
            while code == STOPPED and not stop.told:
                code = run(array.argument, index, stop)
            say(f"task {index + 1} of {array.count}: {'stopped' if code == STOPPED else f'exit code {code}'}")

        before = {n: signal.signal(n, stop.tell) for n in (signal.SIGTERM, signal.SIGINT, signal.SIGUSR1)}
        try:
            # The threads only wait: each task's work is a process.
            with ThreadPoolExecutor(self._at_once(array)) as pool:
                list(pool.map(until_done, range(array.count)))
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
        return not stop.told

    def _at_once(self, array: TaskArray) -> int:
        cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)
        wanted = self._config.at_once
        if wanted is None:
            return max(1, cores // array.threads)
        if wanted > 1 and wanted * array.threads > cores:
            raise InputError(
                f"{wanted} fits of {array.threads} threads at one time want {wanted * array.threads} cores "
                f"and this process may use {cores}; lower at_once or threads"
            )
        return wanted
