"""fit, show, plot and export at the command line: exit codes, words, kill and resume."""

import os
import signal
import subprocess
import sys
import time

import h5py
import numpy as np
import pytest

from iceopt.campaign.write import write_campaign_folder
from tests.synthetic import draw_campaign, two_layers_toml


def iceopt(*arguments, **options):
    return subprocess.run(
        [sys.executable, "-m", "iceopt", *map(str, arguments)],
        capture_output=True, text=True, check=False, timeout=300, **options,
    )  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("commands")
    campaign, _ = draw_campaign(modules_per_line=6, line_spacing_m=110.0, photons_per_pulse=2e9)
    write_campaign_folder(campaign, folder / "campaign")
    (folder / "fit.toml").write_text(two_layers_toml(ensembles=2, draws=30, most_steps=200))
    return folder


@pytest.fixture(scope="module")
def poor(folder):
    """Result of a fit that was given too few steps, and what the command said."""
    done = iceopt("fit", folder / "campaign", "-o", folder / "poor.h5", "--config", folder / "fit.toml")
    return folder / "poor.h5", done


def test_fit_that_does_not_converge_says_so_and_exits_3(poor, folder):
    path, done = poor
    assert done.returncode == 3, done.stderr
    assert "NOT converged" in done.stdout
    assert "Traceback" not in done.stderr
    assert path.exists()
    assert not (folder / "poor.h5.checkpoint").exists()
    assert not (folder / "poor.h5.part").exists()


def test_show_starts_with_the_verdict_and_fits_100_columns(poor):
    done = iceopt("show", poor[0])
    assert done.returncode == 0
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 100
    assert lines[1].startswith("NOT converged")
    assert any("1490-1560" in line for line in lines)


def test_export_warns_and_writes(poor, tmp_path):
    done = iceopt("export", poor[0], "-o", tmp_path / "layers.csv", "--what", "layers")
    assert done.returncode == 0
    assert "NOT converged" in done.stderr
    assert "# NOT converged" in (tmp_path / "layers.csv").read_text()


def test_plot_draws_only_what_is_asked_for(poor, tmp_path):
    done = iceopt("plot", poor[0], "-o", tmp_path / "figures", "--only", "depth_profiles")
    assert done.returncode == 0, done.stderr
    assert sorted(p.name for p in (tmp_path / "figures").iterdir()) == [
        "depth_profiles.pdf",
        "depth_profiles.png",
    ]
    done = iceopt("plot", poor[0], "-o", tmp_path / "none", "--only", "nonsense")
    assert done.returncode == 1
    assert "expected one of: depth_profiles" in done.stderr
    assert not (tmp_path / "none").exists()


def test_bad_input_is_one_sentence_and_nothing_is_written(folder, tmp_path):
    out = tmp_path / "result.h5"
    bad = tmp_path / "bad.toml"
    bad.write_text("[layer]\n")
    for arguments, words in (
        (("fit", folder / "campaign", "-o", out, "--config", bad), "layer is not a setting"),
        (("fit", tmp_path / "none", "-o", out), "no such folder"),
        (("fit", folder / "campaign", "-o", tmp_path / "no" / "r.h5"), "does not exist"),
        (("fit", folder / "campaign", "-o", out, "--resume"), "no unfinished fit"),
        (("fit", folder / "campaign", "-o", out, "--sampler", "magic"), "sampler.kind"),
        (("show", bad), "not a whole HDF5 file"),
    ):
        done = iceopt(*arguments)
        assert done.returncode == 1, (arguments, done.stderr)
        assert words in done.stderr
        assert len(done.stderr.strip().splitlines()) == 1
    assert [p.name for p in tmp_path.iterdir()] == ["bad.toml"]


def draws_of(path):
    with h5py.File(path) as file:
        return np.array(file["posterior/scattering_length"])


@pytest.mark.slow
def test_killed_fit_resumes_to_the_same_end(folder, poor):
    out, config = folder / "killed.h5", folder / "fit.toml"
    command = [
        sys.executable,
        "-m",
        "iceopt",
        "fit",
        str(folder / "campaign"),
        "-o",
        str(out),
        "--config",
        str(config),
    ]
    rng = np.random.default_rng(128)
    for turn in range(3):
        resume = ["--resume"] if turn else []
        process = subprocess.Popen([*command, *resume], stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        checkpoint = out.with_name("killed.h5.checkpoint")
        while not checkpoint.exists() and process.poll() is None:
            time.sleep(0.05)
        time.sleep(rng.uniform(0.1, 4.0))
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        assert out.exists() or checkpoint.exists()
        for piece in checkpoint.glob("*.h5") if checkpoint.exists() else ():
            h5py.File(piece).close()
    if not out.exists():
        done = iceopt(*command[3:], "--resume")
        assert done.returncode == 3, done.stderr
    assert draws_of(out).shape == draws_of(poor[0]).shape
    # The climb goes on from its last step with a curvature of its own, so the ends differ by rounding more.
    spread = draws_of(poor[0]).std(axis=(0, 1))
    np.testing.assert_allclose(
        draws_of(out).mean(axis=(0, 1)), draws_of(poor[0]).mean(axis=(0, 1)), atol=0.5 * spread.max()
    )


@pytest.mark.slow
def test_resume_refuses_another_configuration(folder, tmp_path):
    out, config = folder / "changed.h5", tmp_path / "fit.toml"
    config.write_text(two_layers_toml(ensembles=2, draws=30, most_steps=300_000))
    command = [
        sys.executable,
        "-m",
        "iceopt",
        "fit",
        str(folder / "campaign"),
        "-o",
        str(out),
        "--config",
        str(config),
    ]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    while not list(folder.glob("changed.h5.checkpoint/*.json")):
        assert process.poll() is None
        time.sleep(0.1)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    config.write_text(two_layers_toml(ensembles=2, draws=30, most_steps=400))
    done = iceopt(*command[3:], "--resume")
    assert done.returncode == 1
    assert "its configuration differ" in done.stderr
