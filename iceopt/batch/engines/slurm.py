"""Slurm: a job array; its own signal before the walltime, its own requeueing."""

import shlex

from iceopt.batch.engines.base import EngineConfig, Say, TaskArray, not_found, submitted


class Slurm:
    """`sbatch --array`; a task that exits with 75 asks for `scontrol requeue`."""

    waits = False

    def __init__(self, config: EngineConfig) -> None:
        self._config = config

    def missing(self) -> str:
        """Slurm's commands."""
        return not_found("sbatch", "scontrol")

    def script(self, array: TaskArray) -> str:
        """The batch script."""
        c = self._config
        most = f"%{c.at_once}" if c.at_once else ""
        head = [
            f"--job-name={array.name}",
            f"--array=0-{array.count - 1}{most}",
            f"--cpus-per-task={array.threads}",
            f"--mem={c.memory_mb}M",
            f"--time={_hours(c.walltime_min)}",
            f"--signal=B:USR1@{c.warn_s}",
            "--requeue",
            "--open-mode=append",
            f"--output={shlex.quote(str(array.folder / 'slurm-%A_%a.log'))}",
            *c.options,
        ]
        lines = [
            "#!/bin/bash",
            *(f"#SBATCH {option}" for option in head),
            *c.before,
            f"export ICEOPT_THREADS={array.threads}",
            f'{array.command(c.python)} "$SLURM_ARRAY_TASK_ID" &',
            "task=$!",
            "trap 'kill -TERM $task' USR1 TERM",
            "while kill -0 $task 2>/dev/null; do wait $task; done  # a trapped signal ends a wait early",
            "wait $task",
            "code=$?",
            "# 75: it can go on. Above 128: something killed it; that is tried again a few times.",
            'if [ $code -eq 75 ] || { [ $code -gt 128 ] && [ "${SLURM_RESTART_COUNT:-0}" -lt 3 ]; }; then',
            '    scontrol requeue "${SLURM_ARRAY_JOB_ID}_${SLURM_ARRAY_TASK_ID}"',
            "fi",
            "exit $code",
            "",
        ]
        return "\n".join(lines)

    def start(self, array: TaskArray, say: Say) -> bool:
        """Submit the array."""
        path = array.folder / f"{array.name}.sh"
        say(submitted(["sbatch", str(path)], path, self.script(array)))
        return True


def _hours(minutes: float) -> str:
    seconds = round(60 * minutes)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
