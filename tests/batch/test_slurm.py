"""A batch through a real Slurm on this machine: a worker killed midway, a walltime, a dead controller."""

import os
import platform
import shutil
import signal
import subprocess
import time
from contextlib import suppress
from pathlib import Path

import pytest

from iceopt.batch.state import status_of
from tests.batch.sites import Gate, fits_of, iceopt, planned, site, state_of, until

REPOSITORY = Path(__file__).resolve().parents[2]
SCRIPT = REPOSITORY / "scripts" / "slurm_local"
SBIN = f"{os.environ['PATH']}:/usr/sbin:/sbin"

pytestmark = pytest.mark.skipif(
    any(shutil.which(name, path=SBIN) is None for name in ("sbatch", "slurmctld", "slurmd", "munged")),
    reason="Slurm is not installed (scripts/slurm_local install)",
)
ENGINE = 'name = "slurm"\nmemory_mb = 500'


@pytest.fixture(scope="module")
def slurm(tmp_path_factory):
    """Environment in which the Slurm of this module answers."""
    folder = tmp_path_factory.mktemp("slurm")
    started = subprocess.run([SCRIPT, "start", folder], capture_output=True, text=True, check=False)
    if started.returncode:
        subprocess.run([SCRIPT, "stop", folder], check=False)
        pytest.skip(f"Slurm does not start here: {started.stderr.strip()[-300:]}")
    yield os.environ | {
        "SLURM_CONF": started.stdout.strip(),
        "PYTHONPATH": f"{REPOSITORY}:{os.environ.get('PYTHONPATH', '')}",
        "PATH": SBIN,
    }
    subprocess.run([SCRIPT, "stop", folder], check=True)


def with_gate(slurm, gate):
    return slurm | {"PYTHONPATH": f"{gate.environment['PYTHONPATH']}:{slurm['PYTHONPATH']}"}


def kill_midway(plan, gate):
    """Kill the worker whose fit is held at the gate, and the fit."""
    until(lambda: gate.held and fits_of(plan))
    (fit,) = gate.held
    os.kill(state_of(plan, 0)["pid"], signal.SIGKILL)
    os.kill(fit, signal.SIGKILL)
    gate.open()


def assert_all_done_once(plan, gate, slurm, jobs):
    shown = iceopt("batch", jobs, "--status", env=slurm)
    assert shown.stdout.splitlines()[-1] == f"{len(plan.tasks)} done"
    assert gate.written == sorted(plan.result(task).name for task in plan.tasks)
    assert not list(plan.folder.glob("*.checkpoint"))
    logs = [plan.log(task).read_text() for task in plan.tasks]
    assert [log.count("first guess") for log in logs] == [1] * len(logs)  # the killed one went on
    again = iceopt("batch", jobs, env=slurm)
    assert "Submitted" not in again.stderr
    assert again.returncode == 3


def test_a_batch_ends_though_a_worker_dies(slurm, tmp_path):
    """Everything finishes, nothing is done twice, nothing is lost."""
    jobs, gate = site(tmp_path, seeds=3, engine=ENGINE), Gate(tmp_path, "seed1-")
    plan, _ = planned(jobs)
    submitted = iceopt("batch", jobs, env=with_gate(slurm, gate))
    assert submitted.returncode == 0, submitted.stderr
    assert "Submitted batch job" in submitted.stderr
    kill_midway(plan, gate)
    until(lambda: [status_of(plan, task).word for task in plan.tasks] == ["done"] * 3)
    assert_all_done_once(plan, gate, slurm, jobs)


@pytest.mark.slow
def test_a_batch_ends_though_a_worker_and_the_controller_die(slurm, tmp_path):
    jobs, gate = site(tmp_path, seeds=3, engine=ENGINE), Gate(tmp_path, "seed1-")
    plan, _ = planned(jobs)
    assert iceopt("batch", jobs, env=with_gate(slurm, gate)).returncode == 0
    kill_midway(plan, gate)
    conf = Path(slurm["SLURM_CONF"]).parent
    os.kill(int((conf / "slurmctld.pid").read_text()), signal.SIGKILL)
    subprocess.run([SCRIPT, "controller", conf], check=True, env=slurm)

    def ended():
        """Slurm drains a node with a job begun after the last saved state: we do the operator's part."""
        subprocess.run(
            ["scontrol", "update", f"NodeName={platform.node()}", "State=RESUME"],
            capture_output=True, check=False, env=slurm,
        )  # fmt: skip
        time.sleep(1.0)
        return [status_of(plan, task).word for task in plan.tasks] == ["done"] * 3

    until(ended)
    assert_all_done_once(plan, gate, slurm, jobs)


@pytest.mark.slow
def test_a_task_near_its_walltime_writes_its_checkpoint_and_is_requeued(slurm, tmp_path):
    """Slurm signals a job that has a minute left within its check interval: here at once."""
    engine = f"{ENGINE}\nwalltime_min = 2\nwarn_s = 115"
    jobs = site(tmp_path, seeds=1, steps=60_000, engine=engine)
    plan, _ = planned(jobs)
    assert iceopt("batch", jobs, env=slurm).returncode == 0
    until(lambda: plan.state(plan.tasks[0]).exists() and state_of(plan, 0)["code"] == 75, 200)
    assert list(plan.folder.glob("*.checkpoint/*.h5"))
    log = plan.log(plan.tasks[0])
    assert "the fit was told to stop" in log.read_text()
    queue = subprocess.run(
        ["squeue", "-h", "-o", "%T"], capture_output=True, text=True, check=True, env=slurm
    )
    assert queue.stdout.strip()  # it is in the queue again, and not gone
    subprocess.run(["scancel", f"--user={os.getuid()}"], check=True, env=slurm)
    until(lambda: not fits_of(plan))


def test_doctor_asks_a_node(slurm, tmp_path):
    jobs = site(tmp_path, engine=ENGINE)
    done = iceopt("doctor", jobs, env=slurm)
    assert done.returncode == 0, done.stdout
    for what in (
        "folder writable from a node",
        "same Python and packages there",
        "file locks",
        "threads there",
    ):
        assert f"ok   {what}" in done.stdout
    assert not list((tmp_path / "results").iterdir())


STUBBORN = """#!/bin/bash
trap '' TERM
touch begun
sleep 1000 &
while :; do sleep 1; done
"""


def left_of(folder):
    """Processes that were told of the Slurm in a folder."""
    told, found = f"SLURM_CONF={folder}/slurm.conf".encode(), []
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            with suppress(OSError):
                if told in (entry / "environ").read_bytes().split(b"\0"):
                    found.append((entry / "comm").read_text().strip())
    return found


@pytest.mark.parametrize("controller", ["lives", pytest.param("dead", marks=pytest.mark.slow)])
def test_nothing_is_left_of_a_stopped_slurm(tmp_path, controller):
    """Though a job in it takes no notice of SIGTERM."""
    started = subprocess.run([SCRIPT, "start", tmp_path], capture_output=True, text=True, check=False)
    try:
        if started.returncode:
            pytest.skip(f"Slurm does not start here: {started.stderr.strip()[-300:]}")
        job = ["sbatch", "--output=/dev/null", f"--chdir={tmp_path}"]
        own = os.environ | {"SLURM_CONF": started.stdout.strip(), "PATH": SBIN}
        subprocess.run(job, input=STUBBORN, text=True, capture_output=True, check=True, env=own)
        until((tmp_path / "begun").exists)
        assert {"munged", "slurmctld", "slurmd", "slurmstepd", "sleep"} <= set(left_of(tmp_path))
        if controller == "dead":
            os.kill(int((tmp_path / "slurmctld.pid").read_text()), signal.SIGKILL)
    finally:
        subprocess.run([SCRIPT, "stop", tmp_path], check=True)
    assert left_of(tmp_path) == []
