"""MPI: `mpiexec -n 5 python -m mpi4py.futures -m iceopt batch JOBS.toml`: one rank leads, four work."""

from importlib.util import find_spec

from iceopt.batch.engines.base import STOPPED, EngineConfig, Say, TaskArray, call, python_script


class Mpi:
    """One task a future of mpi4py; a rank that dies ends the whole run, and a second start goes on."""

    waits = True

    def __init__(self, config: EngineConfig) -> None:
        self._config = config

    def missing(self) -> str:
        """The package mpi4py."""
        return "" if find_spec("mpi4py") else "the Python package mpi4py not installed"

    def script(self, array: TaskArray) -> str:
        """One task a line."""
        return python_script(array, self._config.python, "by the ranks of `mpiexec`:")

    def start(self, array: TaskArray, say: Say) -> bool:
        """Run the tasks, again those that ask for it."""
        from mpi4py.futures import MPIPoolExecutor

        waiting = list(range(array.count))
        with MPIPoolExecutor(max_workers=self._config.at_once) as pool:
            while waiting:
                codes = pool.map(
                    call, [array.module] * len(waiting), [array.argument] * len(waiting), waiting
                )
                ended = dict(zip(waiting, codes, strict=True))
                for index, code in ended.items():
                    say(f"task {index + 1} of {array.count}: exit code {code}")
                waiting = [index for index, code in ended.items() if code == STOPPED]
        return True
