"""Faults: what dies, fills up, is damaged or changed; nothing is lost, done twice, or read as good."""

import errno
import os
import resource
import signal
import subprocess
import sys
import textwrap
import time
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
import pytest

from iceopt.batch.state import Attempt, fault_of, read_attempt, status_of, write_attempt
from iceopt.batch.task import run
from iceopt.errors import InputError
from iceopt.files import held, is_held, lock_of, write_whole
from iceopt.hdf5 import SEAL_BYTES
from iceopt.result.read import Result
from tests.batch.sites import (
    LONG_STEPS,
    Gate,
    begun,
    environment,
    fits_of,
    iceopt,
    planned,
    site,
    state_of,
    until,
)  # fmt: skip


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    """A plan of one task whose result is there, and the result's bytes."""
    jobs = site(tmp_path_factory.mktemp("good"), seeds=1)
    assert iceopt("batch", jobs).returncode == 3
    plan, _ = planned(jobs)
    return plan, plan.result(plan.tasks[0]).read_bytes()


@contextmanager
def damaged(plan, content):
    path = plan.result(plan.tasks[0])
    whole = path.read_bytes()
    path.write_bytes(content)
    try:
        yield path
    finally:
        path.write_bytes(whole)


def stopped_midway(plan_path, gate):
    """Begin a plan's first task and ask it to stop once its fit has written a checkpoint."""
    worker = begun(plan_path, 0, module="iceopt.batch.task", env=gate.environment)
    until(lambda: gate.held)
    worker.terminate()
    until(lambda: gate.told)
    gate.open()
    assert worker.wait(300) == 75


def test_a_result_truncated_anywhere_is_never_read_as_good(good):
    """100 places, and all within the seal: refused on opening, in one sentence, by the batch too."""
    plan, content = good
    anywhere = np.random.default_rng(26).integers(0, len(content) - SEAL_BYTES, 100)
    for place in [*anywhere, *range(len(content) - SEAL_BYTES + 1, len(content))]:
        with damaged(plan, content[:place]) as path:
            with pytest.raises(InputError) as caught:
                Result(path)
            assert "\n" not in str(caught.value)
            status = status_of(plan, plan.tasks[0])
            assert (status.word, status.again) == ("failed", True), place
    assert status_of(plan, plan.tasks[0]).word == "done"


@pytest.mark.parametrize("seed", range(4))
def test_a_changed_byte_anywhere_is_seen_at_once(good, seed):
    """In 250 of all places and in the seal: what would hang libhdf5 is never given to it."""
    plan, content = good
    random = np.random.default_rng(seed)
    places = [*random.integers(0, len(content), 250), *random.integers(-SEAL_BYTES, 0, 10)]
    for place in places:
        changed = bytearray(content)
        changed[place] ^= int(random.integers(1, 256))
        with damaged(plan, bytes(changed)) as path, pytest.raises(InputError) as caught:
            Result(path)
        assert "fit again" in str(caught.value)
        assert "\n" not in str(caught.value)


def test_a_changed_byte_in_a_result_without_a_seal_is_seen_or_changes_nothing(good):
    """As other programs leave it: a byte that no reader sees may change, a number may not."""
    plan, content = good
    with Result(plan.result(plan.tasks[0])) as result:
        values = result.draws("scattering_length")
    random, caught = np.random.default_rng(7), 0
    for place in random.integers(0, len(content) - SEAL_BYTES, 20):
        changed = bytearray(content[:-SEAL_BYTES])
        changed[place] ^= int(random.integers(1, 256))
        with damaged(plan, bytes(changed)) as path:
            fault, _ = fault_of(plan, plan.tasks[0])
            caught += bool(fault)
            assert "\n" not in fault
            if not fault:
                with Result(path) as result:
                    np.testing.assert_array_equal(result.draws("scattering_length"), values)
    assert caught > 3  # much of so small a file is unused space


def test_show_refuses_a_changed_number(good, tmp_path):
    import h5py

    path = tmp_path / "edited.h5"
    path.write_bytes(good[1])
    with h5py.File(path, "r+") as file:
        file["posterior/scattering_length"][0, 0, 0] += 1.0
    done = iceopt("show", path)
    assert done.returncode == 1
    assert "does not match its checksum" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_result_of_another_configuration_under_this_name_is_not_taken(good):
    plan, _ = good
    task = plan.tasks[0]
    from dataclasses import replace

    other = replace(task, configuration=task.configuration | {"seed": 77})
    assert "is of another configuration" in fault_of(plan, other)[0]
    assert "is of another input" in fault_of(plan, replace(task, input_sha256=({"modules.csv": "0"},)))[0]
    assert "is of another version of iceopt" in fault_of(plan, replace(task, version="0"))[0]


def test_a_killed_fit_is_begun_again_and_ends(tmp_path):
    jobs, gate = site(tmp_path, seeds=1), Gate(tmp_path, "seed1-")
    plan, _ = planned(jobs)
    batch = begun("batch", jobs, env=gate.environment)
    until(lambda: gate.held)
    os.kill(gate.held[0], signal.SIGKILL)
    gate.open()
    assert batch.wait(300) == 3
    assert state_of(plan, 0)["deaths"] == 1
    assert status_of(plan, plan.tasks[0]).word == "done"
    assert gate.written == [plan.result(plan.tasks[0]).name]


def test_a_fit_that_keeps_dying_is_given_up_with_its_reason(tmp_path):
    plan, path = planned(site(tmp_path, seeds=1, batch="attempts = 2"))
    task = plan.tasks[0]
    write_attempt(plan.state(task), Attempt(None, "", 1))  # the last worker died without a word
    assert status_of(plan, task).reason == "its worker died"
    assert status_of(plan, task).again
    assert run(str(path), 0) == 70
    assert read_attempt(plan.state(task)).reason == "its process died 2 times"
    assert status_of(plan, task).again  # a further start of the batch tries again


def test_a_killed_worker_and_its_fit_leave_a_task_that_goes_on(tmp_path):
    plan, path = planned(site(tmp_path, seeds=1))
    gate = Gate(tmp_path, "seed1-")
    worker = begun(path, 0, module="iceopt.batch.task", env=gate.environment)
    until(lambda: gate.held)
    assert status_of(plan, plan.tasks[0]).word == "running"
    worker.kill()
    worker.wait()
    assert status_of(plan, plan.tasks[0]).word == "running"  # its fit lives on and holds the result's name
    os.kill(gate.held[0], signal.SIGKILL)
    until(lambda: status_of(plan, plan.tasks[0]).word != "running")
    status = status_of(plan, plan.tasks[0])
    assert (status.word, status.reason, status.again) == ("failed", "its worker died", True)
    assert run(str(path), 0) == 3
    assert "go on" not in plan.log(plan.tasks[0]).read_text()
    assert status_of(plan, plan.tasks[0]).word == "done"


@pytest.mark.slow
def test_fits_killed_at_random_moments_end_in_the_end(tmp_path):
    """Two fits, all their processes killed up to 20 times at a random moment; the batch is started again."""
    jobs = site(tmp_path, seeds=2, steps=4 * LONG_STEPS)
    plan, _ = planned(jobs)
    random = np.random.default_rng(20)
    for _ in range(20):
        batch = begun("batch", jobs)
        time.sleep(random.uniform(0.5, 12.0))
        for one in [*fits_of(plan), batch.pid]:
            with suppress(ProcessLookupError):
                os.kill(one, signal.SIGKILL)
        batch.wait()
        until(lambda: not any(is_held(plan.result(task)) for task in plan.tasks))
        for task in plan.tasks:
            status = status_of(plan, task)
            assert status.word == "done" or status.again
            assert "damaged" not in status.reason
    assert iceopt("batch", jobs).returncode == 3
    assert [status_of(plan, task).word for task in plan.tasks] == ["done", "done"]
    assert not list(plan.folder.glob("*.part")) + list(plan.folder.glob("*.checkpoint"))


def test_a_damaged_checkpoint_is_one_sentence(tmp_path):
    plan, path = planned(site(tmp_path, seeds=1))
    stopped_midway(path, Gate(tmp_path, "seed1-"))
    piece = min(plan.folder.glob("*.checkpoint/maximum-*.h5"))
    piece.write_bytes(piece.read_bytes()[:-1])
    assert run(str(path), 0) == 74
    reason = read_attempt(plan.state(plan.tasks[0])).reason
    assert f"{piece}: is damaged; remove its folder to start anew" in reason


def test_a_killed_batch_is_gone_on_with_and_nothing_is_done_twice(tmp_path):
    jobs, gate = site(tmp_path, seeds=2), Gate(tmp_path, "seed1-")
    plan, _ = planned(jobs)
    batch = begun("batch", jobs, "--at-once", 1, env=gate.environment)
    until(lambda: gate.held)
    batch.kill()
    batch.wait()
    second = iceopt("batch", jobs, env=gate.environment)  # the first fit still runs and is left alone
    assert second.returncode == 75, second.stderr
    gate.open()
    until(lambda: not fits_of(plan))
    assert gate.written == sorted(plan.result(task).name for task in plan.tasks)
    assert [status_of(plan, task).word for task in plan.tasks] == ["done", "done"]
    logs = [plan.log(task).read_text() for task in plan.tasks]
    assert [log.count("first guess") for log in logs] == [1, 1]


def test_two_fits_of_one_name_are_refused_and_a_dead_one_holds_nothing(tmp_path):
    plan, _ = planned(site(tmp_path, seeds=1))
    gate = Gate(tmp_path, "one")
    task, out = plan.tasks[0], tmp_path / "one.h5"
    arguments = ("fit", tmp_path / "campaign", "-o", out, "--config", plan.config(task))
    first = begun(*arguments, env=gate.environment)
    until(lambda: gate.held)
    second = iceopt(*arguments)
    assert second.returncode == 1
    assert "another fit is writing this result now" in second.stderr
    assert len(second.stderr.strip().splitlines()) == 1
    first.kill()
    first.wait()
    assert lock_of(out).exists()  # the file is left, the lock is not
    assert not is_held(out)
    with held(out):
        assert is_held(out)
    assert not lock_of(out).exists()


def test_one_of_many_gets_a_name_at_a_time(tmp_path):
    """Eight processes add 25 times to a number in a file, under the lock: none is lost."""
    code = textwrap.dedent("""
        import sys
        from pathlib import Path
        from iceopt.files import NameHeld, held
        path, done = Path(sys.argv[1]), 0
        while done < 25:
            try:
                with held(path):
                    path.write_text(str(int(path.read_text()) + 1))
                    done += 1
            except NameHeld:
                pass
    """)
    path = tmp_path / "number"
    path.write_text("0")
    workers = [subprocess.Popen([sys.executable, "-c", code, str(path)]) for _ in range(8)]
    assert [w.wait(120) for w in workers] == [0] * 8
    assert path.read_text() == "200"


@pytest.fixture
def small_disk(tmp_path):
    """A folder that holds 200 kB: less than a result."""
    place = tmp_path / "small"
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=200k", "none", str(place)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip("no tmpfs can be mounted here; the limit on a file's size tests the same path")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk_is_one_sentence_and_leaves_what_was_there(small_disk, good):
    plan, _ = good
    task = plan.tasks[0]
    out = small_disk / "result.h5"
    out.write_bytes(b"before")
    done = iceopt("fit", *task.campaigns, "-o", out, "--config", plan.config(task))
    assert done.returncode == 74, done.stderr
    assert "No space left on device" in done.stderr
    assert "Traceback" not in done.stderr
    assert out.read_bytes() == b"before"
    assert not list(small_disk.glob("*.part"))
    resumed = iceopt("fit", *task.campaigns, "-o", out, "--config", plan.config(task), "--resume")
    assert resumed.returncode == 74  # its checkpoint is whole


@pytest.mark.slow
def test_a_limit_on_a_files_size_is_one_sentence(good, tmp_path):
    plan, _ = good
    task = plan.tasks[0]

    def limited():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    out = tmp_path / "result.h5"
    done = iceopt("fit", *task.campaigns, "-o", out, "--config", plan.config(task), preexec_fn=limited)
    assert done.returncode == 74, done.stderr
    assert done.stderr.strip().splitlines()[-1].endswith(os.strerror(errno.EFBIG))
    assert not out.exists()


@pytest.fixture
def read_only(tmp_path):
    """A folder that cannot be written: a read-only mount for root, who may write anywhere else."""
    place = tmp_path / "read_only"
    place.mkdir()
    if os.geteuid():
        place.chmod(0o555)
        yield place
        place.chmod(0o755)
        return
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "ro", "none", str(place)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip("root can write to any folder, and no read-only one can be mounted here")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def test_a_read_only_folder_is_one_sentence(read_only, good):
    plan, _ = good
    task = plan.tasks[0]
    done = iceopt("fit", *task.campaigns, "-o", read_only / "r.h5", "--config", plan.config(task))
    assert done.returncode == 74
    assert len(done.stderr.strip().splitlines()) == 1
    assert str(read_only) in done.stderr


def test_a_campaign_changed_between_start_and_resume_is_refused(tmp_path):
    jobs = site(tmp_path, seeds=1)
    plan, path = planned(jobs)
    task = plan.tasks[0]
    stopped_midway(path, Gate(tmp_path, "seed1-"))
    flashes = tmp_path / "campaign" / "flashes.csv"
    flashes.write_text(flashes.read_text() + "\n")
    assert run(str(path), 0) == 1  # the task, as a scheduler would start it again
    assert "changed since the batch was started" in read_attempt(plan.state(task)).reason
    by_hand = iceopt(
        "fit", *task.campaigns, "-o", plan.result(task), "--config", plan.config(task), "--resume"
    )  # fmt: skip
    assert by_hand.returncode == 1
    assert "its campaign, " in by_hand.stderr or "its campaign differ" in by_hand.stderr
    assert not plan.result(task).exists()


def test_clocks_that_jump_change_nothing(tmp_path, good):
    """The wall clock runs a day back at every look, and all files are from 1970 or the far future."""
    whole, _ = good
    (tmp_path / "clock").mkdir()
    (tmp_path / "clock" / "sitecustomize.py").write_text(
        "import itertools, time\n_now, _days = time.time, itertools.count()\n"
        "time.time = lambda: _now() - 86400.0 * next(_days)\n"
    )
    jobs = site(tmp_path, seeds=1)
    path = f"{tmp_path / 'clock'}:{os.environ.get('PYTHONPATH', '')}"
    done = iceopt("batch", jobs, env=environment(PYTHONPATH=path))
    assert done.returncode == 3, done.stderr
    plan, _ = planned(jobs)
    for number, file in enumerate(plan.folder.iterdir()):
        when = 0 if number % 2 else 4_000_000_000
        os.utime(file, (when, when))
    assert status_of(plan, plan.tasks[0]).word == "done"
    with Result(plan.result(plan.tasks[0])) as one, Result(whole.result(whole.tasks[0])) as other:
        np.testing.assert_array_equal(one.draws("absorption_length"), other.draws("absorption_length"))
        assert one.attribute("duration_s") > 0


def test_a_write_that_fails_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "file"
    write_whole(path, b"old")

    def full(descriptor):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def test_no_pickle_is_read_or_written():
    """Files from others are data: no module of the package loads what could run code."""
    package = Path(__file__).resolve().parents[2] / "iceopt"
    words = ("pickle", "joblib", "shelve", "marshal", "allow_pickle", "eval(", "exec(")
    found = [
        (path.name, word)
        for path in package.rglob("*.py")
        for word in words
        if word in path.read_text(encoding="utf-8")
    ]
    assert found == []
