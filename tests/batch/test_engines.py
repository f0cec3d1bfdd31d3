"""Engines: what they would submit, and what they do where they can be had.

The schedulers' words are from their manuals: sbatch(1) and scontrol(1) of Slurm 22.05, qsub(1B) of OpenPBS
23.06, condor_submit(1) of HTCondor 23.
"""

import os
import shlex
import shutil
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from iceopt.batch.engines import engine_of
from iceopt.batch.engines.base import EngineConfig, TaskArray
from iceopt.errors import InputError

REPOSITORY = Path(__file__).resolve().parents[2]
NAMES = ("local", "slurm", "htcondor", "pbs", "dask", "mpi")


def array(folder, count=3, threads=1):
    return TaskArray("iceopt-test", "tests.batch.dummy", str(folder), count, threads, folder)


def engine(name, **settings):
    return engine_of(EngineConfig(name=name, **settings))


def begun(folder, index):
    path = folder / f"begun-{index}"
    return path.read_text().splitlines() if path.exists() else []


def shim(folder, monkeypatch, name, text):
    """A program of that name on the PATH."""
    place = folder / "bin"
    place.mkdir(exist_ok=True)
    (place / name).write_text(f"#!/bin/bash\n{text}\n")
    (place / name).chmod(0o755)
    monkeypatch.setenv("PATH", f"{place}:{os.environ['PATH']}")
    monkeypatch.setenv("PYTHONPATH", f"{REPOSITORY}:{os.environ.get('PYTHONPATH', '')}")


@pytest.mark.parametrize("name", NAMES)
def test_scripts_are_sound_shell_and_quote_their_paths(tmp_path, name):
    folder = tmp_path / "it's a $(folder)"
    script = engine(name).script(array(folder))
    if name == "htcondor":
        script = script.split(".sh:\n")[1].replace("\n# ", "\n").removeprefix("# ")
    done = subprocess.run(["bash", "-n"], input=script, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    bare = script.replace(f"{shlex.quote(str(folder))}", "").replace(
        shlex.quote(f"{folder}/iceopt-test.sh"), ""
    )
    assert "$(folder)" not in "".join(line for line in bare.splitlines() if not line.startswith("#"))


def test_slurm_is_asked_for_its_signal_its_requeueing_and_its_limits(tmp_path):
    config = {"walltime_min": 90.5, "warn_s": 60, "at_once": 2, "options": ["--partition=ice"]}
    script = engine("slurm", **config, before=["module load python"]).script(array(tmp_path, threads=4))
    head = [line.removeprefix("#SBATCH ") for line in script.splitlines() if line.startswith("#SBATCH ")]
    for option in (
        "--array=0-2%2", "--cpus-per-task=4", "--time=01:30:30", "--signal=B:USR1@60", "--requeue",
        "--open-mode=append", "--partition=ice",
    ):  # fmt: skip
        assert option in head
    body = script.splitlines()
    assert body.index("module load python") < body.index("export ICEOPT_THREADS=4")


def test_condor_keeps_what_asks_to_go_on(tmp_path):
    script = engine("htcondor", walltime_min=10, warn_s=60).script(array(tmp_path))
    lines = script.splitlines()
    assert "on_exit_remove = (ExitBySignal == False) && (ExitCode != 75)" in lines
    assert "queue 3" in lines
    assert "timeout --preserve-status --signal=TERM 540 " in script


def test_pbs_array_of_one_is_no_array(tmp_path):
    assert "qsub -J 0-2 " in engine("pbs").script(array(tmp_path))
    assert "-J" not in engine("pbs").script(array(tmp_path, count=1))


def test_pbs_task_that_can_go_on_submits_itself(tmp_path, monkeypatch):
    """A stand-in for qsub runs the script as PBS would: index by index, or with the variables of -v."""
    shim(tmp_path, monkeypatch, "qsub", """
echo "$@" >>"$(dirname "$0")/calls"
script="${@: -1}"
if [ "$1" = -J ]; then for i in 0 1 2; do PBS_ARRAY_INDEX=$i bash "$script"; done
elif [ "$1" = -v ]; then env "$2" bash "$script"
else bash "$script"; fi
echo 7[].here
""")  # fmt: skip
    said = []
    assert engine("pbs").start(array(tmp_path), said.append)
    assert said[0].endswith("7[].here")
    calls = (tmp_path / "bin/calls").read_text().splitlines()
    assert [c.split(" ")[:2] for c in calls] == [["-J", "0-2"]] + [
        ["-v", f"ICEOPT_INDEX={i}"] for i in range(3)
    ]
    assert all((tmp_path / f"done-{i}").exists() and len(begun(tmp_path, i)) == 2 for i in range(3))


def test_condor_script_runs_one_task(tmp_path, monkeypatch):
    shim(tmp_path, monkeypatch, "condor_submit", 'grep -q "^queue 3$" "$1" && echo 3 jobs submitted')
    said = []
    engine("htcondor").start(array(tmp_path), said.append)
    assert said == ["3 jobs submitted"]
    codes = [subprocess.run([tmp_path / "iceopt-test.sh", "1"], check=False).returncode for _ in range(2)]
    assert codes == [75, 0]
    assert begun(tmp_path, 1)[0].endswith(" 1")


@pytest.mark.parametrize(
    ("name", "program"), [("slurm", "sbatch"), ("pbs", "qsub"), ("htcondor", "condor_submit")]
)
def test_a_refusal_of_the_scheduler_is_one_sentence(tmp_path, monkeypatch, name, program):
    shim(tmp_path, monkeypatch, program, 'echo "no such' + r"\n" + 'partition" >&2; exit 1')
    with pytest.raises(InputError, match=f"{program} refused .*no such") as caught:
        engine(name).start(array(tmp_path), print)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("name", "program"), [("slurm", "sbatch"), ("pbs", "qsub"), ("htcondor", "condor_submit")]
)
def test_an_absent_scheduler_is_named(monkeypatch, name, program):
    monkeypatch.setenv("PATH", "/nowhere")
    assert program in engine(name).missing()


def test_local_runs_what_asks_for_it_again(tmp_path):
    said = []
    assert engine("local", at_once=1).start(array(tmp_path), said.append)
    assert [len(begun(tmp_path, i)) for i in range(3)] == [2, 2, 2]
    assert sorted(said) == [f"task {i} of 3: exit code 0" for i in (1, 2, 3)]


def test_local_refuses_more_threads_than_cores(tmp_path):
    cores = len(os.sched_getaffinity(0))
    with pytest.raises(InputError, match="lower at_once or threads"):
        engine("local", at_once=cores + 1).start(array(tmp_path), print)


def test_unknown_engine_is_refused():
    with pytest.raises(InputError, match="expected one of: local, slurm"):
        EngineConfig().with_options("cron", None)


def test_dask_runs_again_what_a_dead_worker_left(tmp_path):
    distributed = pytest.importorskip("distributed", reason="dask is not installed (extra 'cluster')")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        work = engine("dask", address=cluster.scheduler_address)
        said: list[str] = []
        with ThreadPoolExecutor(1) as pool:
            running = pool.submit(work.start, array(tmp_path, count=12), said.append)
            while not list(tmp_path.glob("done-*")):
                time.sleep(0.05)
            os.kill(cluster.workers[0].pid, 9)
            assert running.result(timeout=60)
    assert len(list(tmp_path.glob("done-*"))) == 12
    assert sorted(said) == sorted(f"task {i + 1} of 12: exit code 0" for i in range(12))


def test_dask_that_does_not_answer_is_one_sentence(tmp_path):
    pytest.importorskip("distributed", reason="dask is not installed (extra 'cluster')")
    with pytest.raises(InputError, match="no Dask scheduler answers"):
        engine("dask", address="tcp://127.0.0.1:9").start(array(tmp_path), print)


def test_mpi_spreads_the_tasks_over_its_ranks(tmp_path):
    pytest.importorskip("mpi4py", reason="mpi4py is not installed (extra 'cluster')")
    mpiexec = shutil.which("mpiexec", path=f"{Path(sys.executable).parent}:{os.environ['PATH']}")
    if mpiexec is None:
        pytest.skip("there is no mpiexec on the PATH")
    code = (
        "from pathlib import Path\n"
        "from tests.batch.test_engines import array, engine\n"
        f"engine('mpi').start(array(Path({str(tmp_path)!r}), count=6), print)\n"
    )
    (tmp_path / "lead.py").write_text(
        f"if __name__ == '__main__':\n    {code.replace(chr(10), chr(10) + '    ')}\n"
    )
    done = subprocess.run(
        [mpiexec, "-n", "3", sys.executable, "-m", "mpi4py.futures", str(tmp_path / "lead.py")],
        capture_output=True, text=True, check=False, timeout=120,
        env=os.environ | {"PYTHONPATH": f"{REPOSITORY}:{os.environ.get('PYTHONPATH', '')}"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert len(list(tmp_path.glob("done-*"))) == 6
    ranks = {line.split()[0] for i in range(6) for line in begun(tmp_path, i)}
    assert len(ranks) == 2  # the third rank leads
