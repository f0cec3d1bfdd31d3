"""A batch at the command line: done once, gone on with, collected; the same for any number of workers."""

import csv
import gzip
import json
import os
import shutil
import signal

import h5py
import numpy as np
import pytest

from iceopt.batch.state import status_of
from iceopt.campaign.read import read_campaign
from iceopt.campaign.write import write_campaign_folder
from tests.batch.sites import (
    FIT,
    Gate,
    begun,
    fits_of,
    iceopt,
    planned,
    site,
    state_of,
    until,
)


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """Two fits run to their end (neither converges in so few steps), and what the command said."""
    jobs = site(tmp_path_factory.mktemp("ran"))
    return jobs, iceopt("batch", jobs)


def posteriors(plan):
    """Every posterior variable of every result."""
    found = []
    for task in plan.tasks:
        with h5py.File(plan.result(task)) as file:
            found.append({n: np.array(v) for n, v in file["posterior"].items() if v.dtype.kind == "f"})
    return found


def test_all_is_done_once(ran):
    jobs, first = ran
    assert first.returncode == 3, first.stderr
    plan, _ = planned(jobs)
    before = {p.name: p.stat().st_mtime_ns for p in plan.folder.glob("*.h5")}
    assert len(before) == 2
    again = iceopt("batch", jobs)
    assert again.returncode == 3
    assert again.stdout == first.stdout
    assert again.stdout.splitlines()[-1] == "2 done"
    assert again.stdout.count("NOT converged") == 2
    assert {p.name: p.stat().st_mtime_ns for p in plan.folder.glob("*.h5")} == before
    assert not list(plan.folder.glob("*.lock")) + list(plan.folder.glob("*.checkpoint"))


def test_results_do_not_depend_on_the_number_of_workers(ran, tmp_path):
    jobs = site(tmp_path)
    assert iceopt("batch", jobs, "--at-once", 1).returncode == 3
    for one, other in zip(posteriors(planned(ran[0])[0]), posteriors(planned(jobs)[0]), strict=True):
        assert one.keys() == other.keys()
        for name in one:
            np.testing.assert_array_equal(one[name], other[name])


def test_collect_makes_one_table_and_one_figure(ran):
    jobs, _ = ran
    plan, _ = planned(jobs)
    done = iceopt("batch", jobs, "--collect")
    assert done.returncode == 0, done.stderr
    lines = (plan.folder / "collected.csv").read_text().splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert [(r["fit"], r["seed"], r["converged"], r["depth_top_m"]) for r in rows] == [
        (task.name, str(k + 1), "0", top) for k, task in enumerate(plan.tasks) for top in ("1490", "1560")
    ]
    for row, posterior in zip(rows[:2], posteriors(plan)[0]["scattering_length"].T, strict=True):
        assert float(row["scattering_length_m"]) == pytest.approx(np.median(posterior), rel=1e-5)
    assert (plan.folder / "collected.png").stat().st_size > 10_000


def test_dry_run_writes_nothing_and_names_what_is_left(tmp_path):
    jobs = site(tmp_path)
    done = iceopt("batch", jobs, "--dry-run", "--engine", "slurm")
    assert done.returncode == 0
    assert "#SBATCH --array=0-1" in done.stdout
    assert not (tmp_path / "results").exists()


def test_bad_input_fails_alone_and_is_not_tried_again(tmp_path):
    jobs = site(tmp_path, seeds=1)
    campaign = read_campaign(tmp_path / "campaign")
    write_campaign_folder(campaign, tmp_path / "bad", counts_suffix=".csv")
    counts = tmp_path / "bad" / "counts.csv"
    counts.write_text(counts.read_text().replace("R01", "R99", 1))
    jobs.write_text(jobs.read_text().replace('["campaign"]', '["campaign", "bad"]'))
    done = iceopt("batch", jobs)
    assert done.returncode == 1
    assert "1 done, 1 failed" in done.stdout
    assert "found 'R99'" in done.stdout
    plan, _ = planned(jobs)
    log = plan.log(plan.tasks[1]).read_text()
    assert log.count("found 'R99'") == 1
    again = iceopt("batch", jobs)
    assert again.returncode == 1
    assert "not tried again" in again.stdout
    assert plan.log(plan.tasks[1]).read_text() == log


def test_a_stopped_batch_asks_to_be_started_again_and_goes_on(tmp_path):
    jobs, gate = site(tmp_path, seeds=1), Gate(tmp_path, "seed1-")
    plan, _ = planned(jobs)
    batch = begun("batch", jobs, env=gate.environment)
    until(lambda: gate.held)
    batch.send_signal(signal.SIGTERM)
    until(lambda: gate.told)
    gate.open()
    assert batch.wait(300) == 75
    assert not fits_of(plan)
    assert state_of(plan, 0)["code"] == 75
    assert status_of(plan, plan.tasks[0]).word == "waiting"
    assert not plan.result(plan.tasks[0]).exists()
    pieces = set(plan.folder.glob("*.checkpoint/*.h5"))
    assert pieces
    assert iceopt("batch", jobs).returncode == 3
    log = plan.log(plan.tasks[0]).read_text()
    assert log.count("first guess") == 1  # the second fit began where the first one was
    assert log.count("told to stop; go on with --resume") == 1


def test_a_changed_configuration_makes_a_new_result_and_keeps_the_old(ran, tmp_path):
    shutil.copytree(ran[0].parent, tmp_path / "site")
    jobs = tmp_path / "site" / "jobs.toml"
    jobs.write_text(jobs.read_text().replace("seeds = [1, 2]", "seeds = [1]"))
    old = {path: path.read_bytes() for path in (tmp_path / "site" / "results").glob("*.h5")}
    (tmp_path / "site" / "fit.toml").write_text(FIT.format(steps=110))
    assert iceopt("batch", jobs).returncode == 3
    new = set((tmp_path / "site" / "results").glob("*.h5")) - set(old)
    assert len(new) == 1
    assert {path: path.read_bytes() for path in old} == old
    with h5py.File(new.pop()) as file:
        assert json.loads(file.attrs["configuration"])["sampler"]["most_steps"] == 110


HOSTILE = ("<script>alert(1)</script>", "../../../tmp/iceopt-owned", "/etc/passwd", "=cmd|' /C calc'!A0")


def test_names_in_tables_are_only_names(tmp_path):
    """Modules, a line and a site called like paths, markup or formulas go through, and touch nothing."""
    jobs = site(tmp_path, seeds=1)
    folder = tmp_path / "campaign"
    for name in ("modules.csv", "flashes.csv"):
        text = (folder / name).read_text()
        for module, hostile in zip(("L1-01", "L1-02", "L1-03", "L2-01"), HOSTILE, strict=True):
            text = text.replace(module, hostile)
        (folder / name).write_text(text)
    counts = gzip.decompress((folder / "counts.csv.gz").read_bytes()).decode()
    for module, hostile in zip(("L1-01", "L1-02", "L1-03", "L2-01"), HOSTILE, strict=True):
        counts = counts.replace(module, hostile)
    (folder / "counts.csv.gz").write_bytes(gzip.compress(counts.encode()))
    toml = folder / "campaign.toml"
    toml.write_text(toml.read_text().replace("Skarv Dome", "$\\\\frac{<b>../x"))
    before = {p for p in tmp_path.rglob("*") if "results" not in p.parts}
    done = iceopt("batch", jobs)
    assert done.returncode == 3, done.stdout + done.stderr
    assert iceopt("batch", jobs, "--collect").returncode == 0
    assert {p for p in tmp_path.rglob("*") if "results" not in p.parts} == before
    assert not os.path.exists("/tmp/iceopt-owned")
    plan, _ = planned(jobs)
    with h5py.File(plan.result(plan.tasks[0])) as file:
        assert set(HOSTILE) <= set(file["constant_data/site_module"].asstr()[()])


def test_chains_that_are_tasks_are_merged_and_merged_anew_if_one_changes(tmp_path):
    jobs = site(tmp_path, seeds=1)
    jobs.write_text(jobs.read_text() + "chains = 3\n")
    plan, _ = planned(jobs)
    assert [task.configuration["seed"] for task in plan.tasks] == [3, 4, 5]
    done = iceopt("batch", jobs)
    assert done.returncode == 3, done.stderr
    (group,) = {task.group for task in plan.tasks}
    assert done.stdout.splitlines() == [f"done     {group}: NOT converged", "1 done"]
    whole = plan.folder / f"{group}.h5"
    with h5py.File(whole) as file:
        merged = file["posterior/scattering_length"][()]
    alone = [found["scattering_length"] for found in posteriors(plan)]
    np.testing.assert_array_equal(merged, np.concatenate(alone))
    before = whole.stat().st_mtime_ns
    collected = iceopt("batch", jobs, "--collect")
    assert collected.returncode == 0, collected.stderr
    assert whole.stat().st_mtime_ns == before
    table = (plan.folder / "collected.csv").read_text()
    assert table.count(group) == 2  # layers
    assert not any(task.name in table for task in plan.tasks)
    plan.result(plan.tasks[1]).unlink()
    assert iceopt("batch", jobs).returncode == 3
    assert whole.stat().st_mtime_ns != before
    with h5py.File(whole) as file:  # the same seed gives the same draws
        np.testing.assert_array_equal(file["posterior/scattering_length"][()], merged)
