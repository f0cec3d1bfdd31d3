"""HTCondor: a cluster of jobs that stay in the queue until they exit otherwise than with 75."""

from iceopt.batch.engines.base import EngineConfig, Say, TaskArray, not_found, submitted


class HtCondor:
    """`condor_submit`; the folder is shared, so no file is transferred."""

    waits = False

    def __init__(self, config: EngineConfig) -> None:
        self._config = config

    def missing(self) -> str:
        """HTCondor's command."""
        return not_found("condor_submit")

    def script(self, array: TaskArray) -> str:
        """The submit description; its last lines, commented, are the shell script of a task."""
        shell = "\n".join(f"# {line}" for line in self._shell(array).splitlines())
        return f"{self._description(array)}\n# {self._shell_path(array)}:\n{shell}\n"

    def start(self, array: TaskArray, say: Say) -> bool:
        """Submit the cluster of jobs."""
        array.folder.mkdir(parents=True, exist_ok=True)
        shell = array.folder / f"{array.name}.sh"
        shell.write_text(self._shell(array), encoding="utf-8")
        shell.chmod(0o755)
        path = array.folder / f"{array.name}.submit"
        say(submitted(["condor_submit", str(path)], path, self._description(array)))
        return True

    def _description(self, array: TaskArray) -> str:
        c = self._config
        place = array.folder / array.name
        lines = [
            "universe = vanilla",
            f"executable = {self._shell_path(array)}",
            "arguments = $(Process)",
            "getenv = True",
            "should_transfer_files = NO",
            f"request_cpus = {array.threads}",
            f"request_memory = {c.memory_mb} MB",
            "kill_sig = SIGTERM",
            f"job_max_vacate_time = {c.warn_s}",
            "# 75: it can go on. Killed by a signal: it is tried again.",
            "on_exit_remove = (ExitBySignal == False) && (ExitCode != 75)",
            *([f"max_materialize = {c.at_once}"] if c.at_once else []),
            f"log = {place}.condor",
            f"output = {place}-$(Process).out",
            f"error = {place}-$(Process).err",
            *c.options,
            f"queue {array.count}",
        ]
        return "\n".join(lines)

    def _shell(self, array: TaskArray) -> str:
        c = self._config
        limit_s = max(1, round(60 * c.walltime_min) - c.warn_s)
        lines = [
            "#!/bin/bash",
            *c.before,
            f"export ICEOPT_THREADS={array.threads}",
            f'exec timeout --preserve-status --signal=TERM {limit_s} {array.command(c.python)} "$1"',
            "",
        ]
        return "\n".join(lines)

    def _shell_path(self, array: TaskArray) -> str:
        return str(array.folder / f"{array.name}.sh")
