"""Dask: a scheduler that runs already, or workers that dask-jobqueue asks the site for."""

import math
from importlib.util import find_spec
from typing import Any

from iceopt.batch.engines.base import STOPPED, EngineConfig, Say, TaskArray, call, python_script
from iceopt.errors import InputError

_PATIENCE_S = 10.0
"""For the scheduler's first answer."""

_CLUSTERS = {"slurm": "SLURMCluster", "pbs": "PBSCluster"}


class Dask:
    """One task a future; what Dask loses with a worker is started again."""

    waits = True

    def __init__(self, config: EngineConfig) -> None:
        self._config = config

    def missing(self) -> str:
        """Dask, and dask-jobqueue if no address is given."""
        wanted = ["distributed"] if self._config.address else ["distributed", "dask_jobqueue"]
        absent = [name for name in wanted if find_spec(name) is None]
        if not absent:
            return ""
        hint = "" if self._config.address else "; or give the address of a running scheduler in [engine]"
        return f"the Python package {' and '.join(absent)} not installed{hint}"

    def script(self, array: TaskArray) -> str:
        """One task a line."""
        where = self._config.address or f"workers of dask-jobqueue through {self._config.queue}"
        return python_script(array, self._config.python, f"by Dask, {where}:")

    def start(self, array: TaskArray, say: Say) -> bool:
        """Run the tasks, again those that ask for it."""
        from distributed import Client, as_completed

        at = self._config.address or self._cluster(array)
        try:
            client = Client(at, timeout=_PATIENCE_S)
        except OSError as error:
            raise InputError(f"{at}: no Dask scheduler answers ({error})") from error
        with client:
            index_of = {self._submitted(client, array, i): i for i in range(array.count)}
            ended = as_completed(list(index_of), raise_errors=False)
            for future in ended:
                index = index_of.pop(future)
                if future.status == "finished" and future.result() == STOPPED:
                    again = self._submitted(client, array, index)
                    index_of[again] = index
                    ended.add(again)
                elif future.status == "finished":
                    say(f"task {index + 1} of {array.count}: exit code {future.result()}")
                else:
                    say(f"task {index + 1} of {array.count}: {future.exception()}")
        return True

    @staticmethod
    def _submitted(client: Any, array: TaskArray, index: int) -> Any:
        return client.submit(call, array.module, array.argument, index, pure=False)

    def _cluster(self, array: TaskArray) -> Any:
        import dask_jobqueue

        c = self._config
        cluster = getattr(dask_jobqueue, _CLUSTERS[c.queue])(
            cores=1,  # one task at a time; its fit is a process of its own
            job_cpu=array.threads,
            processes=1,
            memory=f"{c.memory_mb}MB",
            python=c.python,
            walltime=f"{math.ceil(c.walltime_min / 60):02d}:00:00",
            job_extra_directives=c.options,
            job_script_prologue=c.before,
            log_directory=str(array.folder),
        )
        cluster.scale(jobs=min(c.at_once or array.count, array.count))
        return cluster
