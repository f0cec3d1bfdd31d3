"""PBS (OpenPBS, PBS Professional): a job array; a task that can go on submits itself again."""

import shlex

from iceopt.batch.engines.base import EngineConfig, Say, TaskArray, not_found, submitted


class Pbs:
    """`qsub -J`; a task that exits with 75 calls `qsub` once more, as `qrerun` is for operators only."""

    waits = False

    def __init__(self, config: EngineConfig) -> None:
        self._config = config

    def missing(self) -> str:
        """PBS's commands."""
        return not_found("qsub")

    def script(self, array: TaskArray) -> str:
        """The job script; the array's size is given to `qsub`, so that a task can submit itself alone."""
        c, seconds = self._config, round(60 * self._config.walltime_min)
        head = [
            f"-N {array.name[:15]}",
            f"-l select=1:ncpus={array.threads}:mem={c.memory_mb}mb",
            f"-l walltime={seconds}",
            "-r y",
            "-j oe",
            f"-o {shlex.quote(str(array.folder))}",
            *c.options,
        ]
        lines = [
            "#!/bin/bash",
            *(f"#PBS {option}" for option in head),
            f"# submitted by: {shlex.join(self._submit(array))}",
            *c.before,
            f"export ICEOPT_THREADS={array.threads}",
            'index="${ICEOPT_INDEX:-${PBS_ARRAY_INDEX:-0}}"',
            f"timeout --preserve-status --signal=TERM {max(1, seconds - c.warn_s)} \\",
            f'    {array.command(c.python)} "$index"',
            "code=$?",
            "if [ $code -eq 75 ]; then  # it can go on",
            f'    qsub -v "ICEOPT_INDEX=$index" {shlex.quote(self._path(array))}',
            "fi",
            "exit $code",
            "",
        ]
        return "\n".join(lines)

    def start(self, array: TaskArray, say: Say) -> bool:
        """Submit the array."""
        path = array.folder / f"{array.name}.sh"
        say(submitted(self._submit(array), path, self.script(array)))
        return True

    def _path(self, array: TaskArray) -> str:
        return str(array.folder / f"{array.name}.sh")

    def _submit(self, array: TaskArray) -> list[str]:
        """An array of one is refused by PBS, so one task is no array."""
        most = f"%{self._config.at_once}" if self._config.at_once else ""
        size = ["-J", f"0-{array.count - 1}{most}"] if array.count > 1 else []
        return ["qsub", *size, self._path(array)]
