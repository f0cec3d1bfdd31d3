"""A batch through a real Slurm on this machine: a worker killed midway, a walltime, a dead controller."""

import os
import platform
import shutil
import signal
import subprocess
import time
from pathlib import Path

import pytest

from iceopt.batch.state import status_of
from tests.batch.sites import LONG_STEPS, fits_of, iceopt, planned, site, state_of, until

REPOSITORY = Path(__file__).resolve().parents[2]
SCRIPT = REPOSITORY / "scripts" / "slurm_local"
SBIN = f"{os.environ['PATH']}:/usr/sbin:/sbin"

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        any(shutil.which(name, path=SBIN) is None for name in ("sbatch", "slurmctld", "slurmd", "munged")),
        reason="Slurm is not installed (scripts/slurm_local install)",
    ),
]


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


def pids(folder, word):
    """Ids of the processes whose command line names a word and a folder."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                line = (entry / "cmdline").read_bytes()
            except OSError:
                continue
            if word in line and str(folder).encode() in line:
                found.append(int(entry.name))
    return found


def words(plan):
    return [status_of(plan, task).word for task in plan.tasks]


def test_a_batch_ends_though_a_worker_and_the_controller_die(slurm, tmp_path):
    jobs = site(tmp_path, seeds=3, steps=LONG_STEPS, engine='name = "slurm"\nmemory_mb = 500')
    plan, _ = planned(jobs)
    submitted = iceopt("batch", jobs, env=slurm)
    assert submitted.returncode == 0, submitted.stderr
    assert "Submitted batch job" in submitted.stderr

    def killed():
        """Kill the first worker whose fit climbs, and its fit with it."""
        for task in plan.tasks:
            if list(plan.folder.glob(f"{task.name}.h5.checkpoint/maximum-*.h5")):
                worker = pids(plan.folder / "engine", b"iceopt.batch.task")
                fits = fits_of(plan)
                if worker and fits:
                    for one in (min(worker), min(fits)):
                        os.kill(one, signal.SIGKILL)
                    return True
        return False

    until(killed)
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
        return words(plan) == ["done"] * 3

    until(ended, 240)
    shown = iceopt("batch", jobs, "--status", env=slurm)
    assert shown.stdout.splitlines()[-1] == "3 done"
    assert not list(plan.folder.glob("*.checkpoint"))
    assert len(list(plan.folder.glob("*.h5"))) == 3
    assert [plan.log(task).read_text().count("first guess") for task in plan.tasks].count(1) >= 2
    again = iceopt("batch", jobs, env=slurm)
    assert "Submitted" not in again.stderr
    assert again.returncode == 3


def test_a_task_near_its_walltime_writes_its_checkpoint_and_is_requeued(slurm, tmp_path):
    """Slurm signals a job that has a minute left within its check interval: here at once."""
    engine = 'name = "slurm"\nmemory_mb = 500\nwalltime_min = 2\nwarn_s = 115'
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
    jobs = site(tmp_path, engine='name = "slurm"\nmemory_mb = 500')
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
