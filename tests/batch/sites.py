"""Small batches that the tests share: one invented campaign, a closed-form fit of two layers."""

import functools
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from iceopt.batch.jobs import plan_of, read_jobs
from iceopt.batch.plan import Plan, write_plan
from iceopt.campaign.write import write_campaign_folder
from iceopt.files import write_whole
from tests.synthetic import draw_campaign

FIT = """
[layers]
edges_m = [1490, 1560, 1620]
[model]
name = "closed-form"
[sampler]
ensembles = 2
draws = 20
taus = 1e9
most_steps = {steps}
"""
QUICK_STEPS, LONG_STEPS = 100, 1500
"""A fit of a second or two, and one that lives long enough to be interrupted."""


@functools.cache
def _drawn() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="iceopt-batch-"))
    campaign, _ = draw_campaign(lines=2, modules_per_line=5, line_spacing_m=110.0, photons_per_pulse=2e9)
    write_campaign_folder(campaign, folder / "campaign")
    return folder / "campaign"


def site(folder: Path, seeds: int = 2, steps: int = QUICK_STEPS, engine: str = "", batch: str = "") -> Path:
    """A folder with a campaign, settings and a table of fits; returns the table's path."""
    shutil.copytree(_drawn(), folder / "campaign")
    (folder / "fit.toml").write_text(FIT.format(steps=steps))
    jobs = folder / "jobs.toml"
    jobs.write_text(
        f'[batch]\nfolder = "results"\n{batch}\n[engine]\n{engine}\n[[fits]]\ncampaigns = ["campaign"]\n'
        f'configs = ["fit.toml"]\nseeds = {list(range(1, seeds + 1))}\n'
    )
    return jobs


def planned(jobs: Path) -> tuple[Plan, Path]:
    """The plan of a table of fits, written with the settings it needs as a start would; and its path."""
    plan, configs = plan_of(jobs, read_jobs(jobs))
    plan.folder.mkdir(exist_ok=True)
    for task in plan.tasks:
        write_whole(plan.config(task), configs[task.name])
    return plan, write_plan(plan)


GATE = """
import os, pathlib, signal, time
here, move = pathlib.Path(__file__).parent, os.replace

def replace(source, target, **options):
    move(source, target, **options)
    target = pathlib.Path(target)
    if target.suffix == ".h5" and target.parent.suffix != ".checkpoint":
        with open(here / "written", "a") as file:
            file.write(target.name + chr(10))
    if target.name == "maximum-000000.h5" and any(word in target.parent.name for word in WORDS):
        handler = signal.getsignal(signal.SIGTERM)
        signal.signal(signal.SIGTERM, lambda *a: (handler(*a), (here / "told").touch()))
        (here / f"held{os.getpid()}").touch()
        while not (here / "open").exists():
            time.sleep(0.05)

os.replace = replace
"""


class Gate:
    """Holds fits right after their first checkpoint until it is opened, and counts the results written.

    So a test that kills a fit midway does not race with it, however slow or busy the machine.

    Parameters
    ----------
    folder : Path
    words : str
        Fits whose names hold one of them are held.
    """

    def __init__(self, folder: Path, *words: str) -> None:
        self._folder = folder / "gate"
        self._folder.mkdir()
        (self._folder / "sitecustomize.py").write_text(f"WORDS = {words}" + GATE)

    @property
    def environment(self) -> dict[str, str]:
        """In which fits meet the gate."""
        return environment(PYTHONPATH=f"{self._folder}:{os.environ.get('PYTHONPATH', '')}")

    @property
    def held(self) -> list[int]:
        """Ids of the processes that were ever held."""
        return [int(path.name.removeprefix("held")) for path in self._folder.glob("held*")]

    @property
    def told(self) -> bool:
        """Whether one that is held has been told to stop."""
        return (self._folder / "told").exists()

    @property
    def written(self) -> list[str]:
        """Names of the results written, as often as they were."""
        path = self._folder / "written"
        return sorted(path.read_text().split()) if path.exists() else []

    def open(self) -> None:
        """Let all go on, now and from now on."""
        (self._folder / "open").touch()


def iceopt(*arguments: object, **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "iceopt", *map(str, arguments)],
        capture_output=True, text=True, check=False, timeout=500, **options,
    )  # fmt: skip


def begun(*arguments: object, module: str = "iceopt", **options: object) -> "subprocess.Popen[bytes]":
    return subprocess.Popen(
        [sys.executable, "-m", module, *map(str, arguments)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **options,
    )  # fmt: skip


def until(true: Callable[[], object], seconds: float = 300.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.05)


def fits_of(plan: Plan) -> list[int]:
    """Process ids of the running fits of a plan, found by their command lines."""
    parent_of = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                words = (entry / "cmdline").read_bytes().split(b"\0")
                parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            except OSError:
                continue
            if b"fit" in words and any(w.startswith(str(plan.folder).encode()) for w in words):
                parent_of[int(entry.name)] = parent
    # A program that a fit calls bears the fit's command line until it has its own.
    return [one for one, parent in parent_of.items() if parent not in parent_of]


def state_of(plan: Plan, index: int) -> dict:
    return json.loads(plan.state(plan.tasks[index]).read_bytes())


def environment(**changes: str) -> dict[str, str]:
    return os.environ | changes
