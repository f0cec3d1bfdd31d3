"""No more threads than asked for: counted from outside, in every fit of a running batch."""

import os
import re
import time
from collections import Counter, defaultdict
from pathlib import Path

import pytest

from tests.batch.sites import begun, environment, fits_of, planned, site

IDLE_S = 0.1
"""A thread that has computed for less than this merely waits: polars and its allocator keep several such."""


def kind(task):
    """Kind of a thread: 'kernel' (numba's carry the program's name), 'polars', 'other busy' or 'idle'."""
    name = (task / "comm").read_text().strip()
    if name.startswith("python"):
        return "kernel"
    if re.fullmatch(r"polars-\d+", name):
        return "polars"
    after_name = (task / "stat").read_text().rpartition(")")[2].split()
    busy_s = (int(after_name[11]) + int(after_name[12])) / os.sysconf("SC_CLK_TCK")
    return "other busy" if busy_s > IDLE_S else "idle"


def watched(plan, process):
    """Threads of every fit by kind, seen until a process ends; and the most fits at one time."""
    threads, fits = defaultdict(dict), 0
    while process.poll() is None:
        running = fits_of(plan)
        fits = max(fits, len(running))
        for one in running:
            try:
                for task in Path(f"/proc/{one}/task").iterdir():
                    # The last look counts: a thread is born with its parent's name and then takes its own.
                    threads[one][task.name] = kind(task)
            except OSError:
                continue  # it has just ended
        time.sleep(0.02)
    return [Counter(kinds.values()) for kinds in threads.values()], fits


@pytest.mark.parametrize("threads", [1, 2])
def test_a_fit_has_the_threads_it_is_given_and_fits_share_the_cores(tmp_path, threads):
    cores = len(os.sched_getaffinity(0))
    if threads > cores:
        pytest.skip("this machine has one core")
    jobs = site(tmp_path, seeds=min(2, cores // threads), batch=f"threads = {threads}")
    plan, _ = planned(jobs)
    # What the shell says does not matter: each fit is told its own number.
    batch = begun("--threads", 7, "batch", jobs, env=environment(ICEOPT_THREADS="9", OMP_NUM_THREADS="9"))
    found, fits = watched(plan, batch)
    assert batch.returncode == 3
    assert fits == min(2, cores // threads)
    for one in found:
        assert (one["kernel"], one["polars"], one["other busy"]) == (threads, threads, 0)
