"""Time and memory of a fit as the array grows: `scripts/bench array measure -o FOLDER`, then `draw`.

An invented array: lines of 64 modules over 1 km, about 125 m apart, 300 flashes to 80 lines, ring emitters,
and ice in layers of 10 m. Counts are drawn from the light model that the fit uses, times drawn nuisances; no
photon is tracked; pairs farther apart than 320 m hold dark counts only. Each number of lines is a process of
its own, or its memory could not be told. What is done is kept in FOLDER/LINES.json; a fit that was stopped
goes on from FOLDER/LINES.checkpoint, and its seconds are those of all its starts.
"""

import argparse
import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from iceopt.files import write_whole
from iceopt.threads import set_threads

if TYPE_CHECKING:
    from collections.abc import Iterator

    from iceopt.campaign.model import Campaign
    from iceopt.fit.problem import Problem

REPOSITORY = Path(__file__).resolve().parents[1]
MODULES, TOP_M, LENGTH_M, SPACING_M = 64, 1450.0, 1000.0, 125.0
FLASHES_A_LINE = 300 / 80
HALF_WINDOW_M, FARTHEST_M = 240.0, 320.0


class Record:
    """Seconds of named stages, and the most memory of the process by the end of each."""

    def __init__(self, silent: bool = False) -> None:
        self.stages: dict[str, dict[str, float]] = {}
        self._silent = silent

    @contextmanager
    def stage(self, name: str, times: int = 1) -> "Iterator[None]":
        """Time what happens within, done a number of times."""
        self._say(f"  {name} ...")
        begun, cores = time.perf_counter(), time.process_time()
        yield
        self.stages[name] = {
            "seconds": (time.perf_counter() - begun) / times,
            "core_seconds": (time.process_time() - cores) / times,
            "peak_gib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20,
        }
        self._say(f"    {self.stages[name]}")

    def _say(self, words: str) -> None:
        if not self._silent:
            print(words, file=sys.stderr, flush=True)


class Spent:
    """Seconds of each stage in earlier starts of a fit, kept beside its checkpoint.

    A start that is killed loses what it spent since the last word of progress.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self.before: dict[str, float] = json.loads(path.read_text()) if path.exists() else {}
        self._stage, self._begun, self._noted = "", 0.0, 0.0

    def begin(self, stage: str) -> None:
        """Spend on a stage from now on."""
        self._stage, self._begun = stage, time.perf_counter()

    def end(self, seconds: float) -> float:
        """All seconds of the stage, which took so many in this start."""
        self.before[self._stage] = self.before.get(self._stage, 0.0) + seconds
        return self.before[self._stage]

    def note(self) -> None:
        """Keep what has been spent by now, every ten seconds."""
        if time.perf_counter() < self._noted + 10.0:
            return
        self._noted = time.perf_counter()
        spent = self.before.get(self._stage, 0.0) + time.perf_counter() - self._begun
        write_whole(self._path, json.dumps(self.before | {self._stage: spent}).encode())


def empty_campaign(lines: int) -> "Campaign":
    """The array and its flashes, without counts."""
    import numpy as np

    from iceopt.campaign.model import Campaign, Flashes, Modules, Settings
    from iceopt.campaign.settings import bins_of

    random = np.random.default_rng([80, 64])
    i, j = (a.ravel() for a in np.mgrid[-12:13, -12:13])
    place = SPACING_M * np.stack([i + 0.5 * j, np.sqrt(0.75) * j], axis=1)
    place = place[np.argsort(np.hypot(*place.T), kind="stable")[:lines]]
    place = place + random.normal(0.0, 5.0, (i.size, 2))[:lines]
    depth = TOP_M + LENGTH_M / MODULES * (np.arange(MODULES) + random.uniform(size=(i.size, 1)))[:lines]
    number = lines * MODULES
    flashes = round(FLASHES_A_LINE * lines)
    emitter = np.sort(np.random.default_rng([300, lines]).choice(number, flashes, replace=False))
    settings = Settings(
        site="Skarv Dome", season="invented array", wavelength_nm=405.0, group_index=1.337,
        scattering_anisotropy=0.9, emitter_pattern="ring", elevation_deg=0.0, elevation_spread_deg=12.0,
        brightness_spread=0.2, effective_area_m2=0.003, acceptance_slope=0.6, efficiency_spread=0.1,
        dark_rate_hz=500.0, linear_up_to_per_pulse_ns=1.0, timing_spread_ns=3.0, bin_ns=25.0,
        start_ns=-500.0, stop_ns=3000.0,
    )  # fmt: skip
    modules = Modules(
        name=tuple(f"L{line + 1:02d}-{slot + 1:02d}" for line in range(lines) for slot in range(MODULES)),
        line=tuple(f"L{line + 1:02d}" for line in range(lines) for _ in range(MODULES)),
        slot=np.tile(np.arange(1, MODULES + 1), lines),
        position_m=np.column_stack([np.repeat(place, MODULES, axis=0), depth.ravel()]),
        relative_efficiency=np.ones(number),
        alive=np.ones(number, dtype=bool),
    )
    at = modules.position_m[emitter, 2]
    flashed = Flashes(
        run=tuple(f"R{k + 1:03d}" for k in range(flashes)),
        emitter=emitter,
        photons_per_pulse=np.where(np.arange(flashes) % 3, 1e10, 2e9),
        pulses=np.full(flashes, 200),
        readout_top_m=at - HALF_WINDOW_M,
        readout_bottom_m=at + HALF_WINDOW_M,
        azimuth_deg=np.full(flashes, np.nan),
    )
    away = np.abs(modules.position_m[:, 2] - at[:, None])
    run, module = np.nonzero((away <= HALF_WINDOW_M) & (np.arange(number) != emitter[:, None]))
    counts = np.zeros((run.size, bins_of(settings)), np.int32)
    return Campaign(settings, modules, flashed, run, module, counts)


def truth() -> "Any":
    """Ice of 10 m layers that hang together, invented."""
    import numpy as np

    from iceopt.ice.layers import Ice

    edges = np.arange(TOP_M - 50.0, TOP_M + LENGTH_M + 60.0, 10.0)
    random, count = np.random.default_rng(10), edges.size - 1
    wave = np.convolve(random.standard_normal(count + 8), np.ones(9) / 3.0, "valid")
    own = 0.1 * random.standard_normal((2, count))
    return Ice(edges, np.exp(3.3 + 0.3 * wave + own[0]), np.exp(4.65 + 0.28 * wave + own[1]))


def draw_counts(empty: "Campaign", order: int) -> "Campaign":
    """Counts of the light model in the true ice, with nuisances, dark counts and Poisson noise."""
    import numpy as np

    from iceopt.fit.observations import group_pairs
    from iceopt.light.counts import expected_counts
    from iceopt.light.moments.model import LayeredMoments
    from iceopt.light.scene import scene_of

    settings, random = empty.settings, np.random.default_rng(7)
    brightness = settings.brightness_spread * random.standard_normal(len(empty.flashes.run))
    efficiency = settings.efficiency_spread * random.standard_normal(len(empty.modules.name))
    offset = settings.timing_spread_ns * random.standard_normal(efficiency.size)
    near = np.flatnonzero(scene_of(empty).range_m < FARTHEST_M)
    used = np.zeros((near.size, empty.counts.shape[1]), dtype=bool)
    used[:, -1] = True
    scene = group_pairs(empty, near, used, empty.counts[near], np.zeros(near.size), 0.1).scene
    run, module = empty.pair_run[near], empty.pair_module[near]
    light = expected_counts(
        LayeredMoments(scene, order).expected(truth()),
        brightness[run] + efficiency[module],
        offset[module],
        np.zeros(near.size),
        settings.bin_ns,
    )
    dark = empty.flashes.pulses[empty.pair_run] * settings.dark_rate_hz * settings.bin_ns * 1e-9
    counts = random.poisson(dark[:, None], empty.counts.shape).astype(np.int32)
    counts[near] += random.poisson(np.maximum(light, 0.0)).astype(np.int32)
    return replace(empty, counts=counts)


def time_parts(problem: "Problem", record: Record) -> None:
    """Evaluations, gradients, slopes and information of a climb and of draws, at the true ice."""
    import numpy as np

    from iceopt.abreast import in_order
    from iceopt.fit.curvature import climbing_information, slopes_of

    ice = truth()
    with record.stage("light model and reference"):
        posterior = problem.posterior(ice, np.log([0.03, 1.0, 0.03]) * [1.0, 0.0, 1.0])
    vector = posterior.vector(ice, ln_pair_error=np.log(0.03), ln_profile_error=np.log(0.03))
    moved = vector.copy()
    moved[: 2 * ice.layers] += 0.01 * np.random.default_rng(1).standard_normal(2 * ice.layers)
    parts: list[tuple[str, Callable[[], Any], int]] = [
        ("light alone", lambda: [term.model.expected(posterior.ice(moved)) for term in posterior.terms], 3),
        ("evaluation", lambda: posterior.evaluate(moved), 3),
        ("gradient", lambda: posterior.log_likelihood_gradient(moved), 2),
        ("slopes", lambda: slopes_of(posterior, moved), 1),
        ("information", lambda: climbing_information(posterior, moved), 1),
    ]
    for name, run, times in parts:
        with record.stage(name, times):
            for _ in range(times):
                run()
    with record.stage("steering for draws"):
        for_draws = problem.steered(posterior, vector)
    with record.stage("evaluation of a draw", 4):  # two abreast, as a fit has them
        list(in_order(lambda _: for_draws.evaluate(moved), range(4)))


def fit_it(problem: "Problem", record: Record, seconds: float, whole: bool, folder: Path) -> dict[str, Any]:
    """Climb from the first guess, and go on to the posterior if asked; both from where they were stopped."""
    from iceopt.fit import outcome
    from iceopt.fit.checkpoint import Checkpoint
    from iceopt.fit.climb import climb

    said: list[str] = []
    begun = time.monotonic()
    store = Checkpoint(folder, {}, resume=(folder / "fingerprint.json").exists())
    spent, stages = Spent(folder / "seconds.json"), record.stages

    def watch(words: str, part: float | None) -> None:
        if part is None:
            print(f"    {time.monotonic() - begun:6.0f} s  {words}", file=sys.stderr, flush=True)
        said.append(words)
        spent.note()

    found: dict[str, Any] = {}
    spent.begin("maximum")
    with record.stage("maximum"):
        maximum, moved, _, _ = climb(problem, store, watch, lambda: seconds + begun - time.monotonic())
    stages["maximum"]["seconds"] = spent.end(stages["maximum"]["seconds"])
    found["steps"] = sum("step" in words for words in said)
    found["renewals"], found["to_gain"] = len(moved), maximum.decrement / 2
    found["last_move"] = moved[-1] if moved else None
    if whole:
        spent.begin("posterior")
        with record.stage("posterior"):  # the climb's checkpoint makes it go on from the maximum
            done = outcome.fit(problem, store, watch)
        stages["posterior"]["seconds"] = spent.end(stages["posterior"]["seconds"])
        found["draws"] = int(done.corrected.draws[..., 0].size)
        found["pareto_k"], found["verdict"] = done.corrected.pareto_k, done.verdict
        store.remove()
    return found


def make_problem(lines: int, order: int, record: Record) -> "Problem":
    """Counts drawn, checked, and put before a fit with layers of 10 m."""
    from iceopt.campaign.check import find_faults
    from iceopt.fit.config import FitConfig
    from iceopt.fit.problem import Problem

    edges = tuple(float(e) for e in truth().edges_m)
    config = FitConfig.model_validate({"layers": {"edges_m": edges}, "model": {"order": order}})
    with record.stage("drawing counts"):
        campaign = draw_counts(empty_campaign(lines), order)
    with record.stage("check"):
        verdicts = find_faults(campaign)
    with record.stage("problem"):
        return Problem([(campaign, verdicts)], config)


def measure(lines: int, order: int, seconds: float, whole: bool, path: Path) -> None:
    """All figures of one number of lines, written stage by stage, with kernels compiled before."""
    print("  compiling", file=sys.stderr, flush=True)
    warm = Record(silent=True)
    time_parts(make_problem(2, order, warm), warm)
    record = Record()
    problem = make_problem(lines, order, record)
    campaign, seen = problem.parts[0].campaign, problem.parts[0].observations
    shape = {
        "lines": lines, "order": order, "modules": lines * MODULES, "flashes": len(campaign.flashes.run),
        "pairs": int(campaign.pair_run.size), "used_pairs": int(seen.pair.size),
        "groups": int(seen.first.shape[1]), "layers": truth().layers,
    }  # fmt: skip
    print(f"  {shape}", file=sys.stderr, flush=True)
    folder = path.with_suffix(".checkpoint")
    if folder.exists() and path.exists():
        record.stages |= json.loads(path.read_text())["stages"]
    else:
        time_parts(problem, record)
    path.write_text(json.dumps({**shape, "stages": record.stages, "fit": {}}, indent=1) + "\n")
    if seconds > 0:
        found = fit_it(problem, record, seconds, whole, folder)
        path.write_text(json.dumps({**shape, "stages": record.stages, "fit": found}, indent=1) + "\n")


def draw(folder: Path, picture: Path) -> None:
    """Plot seconds and memory against the number of lines."""
    import matplotlib.pyplot as plt

    measured = sorted((json.loads(p.read_text()) for p in folder.glob("*.json")), key=lambda m: m["lines"])
    figure, (left, right) = plt.subplots(1, 2, figsize=(9.0, 3.8), layout="constrained")
    for stage in (
        "evaluation",
        "evaluation of a draw",
        "gradient",
        "slopes",
        "information",
        "maximum",
        "posterior",
    ):
        kept = [m for m in measured if stage in m["stages"] and _is_complete(m, stage)]
        times = [m["stages"][stage]["seconds"] for m in kept]
        if not kept:
            continue
        left.loglog([m["lines"] for m in kept], times, "o-", label=stage)
    left.axhline(3.0, color="0.5", lw=0.8, ls=":")
    left.set(xlabel="lines of 64 modules", ylabel="seconds, two cores")
    figure.legend(loc="outside upper center", ncols=4, fontsize="small")
    peaks = [max(s["peak_gib"] for s in m["stages"].values()) for m in measured]
    right.loglog([m["lines"] for m in measured], peaks, "o-", color="k")
    right.set_yticks([1, 2, 4, 8], ["1", "2", "4", "8"])
    right.axhline(8.0, color="0.5", lw=0.8, ls=":")
    right.set(xlabel="lines of 64 modules", ylabel="most memory of the process (GiB)")
    for axes in (left, right):
        axes.set_xticks([m["lines"] for m in measured], [str(m["lines"]) for m in measured], minor=False)
        axes.minorticks_off()
    figure.savefig(picture, dpi=130)


def _is_complete(measured: dict[str, Any], stage: str) -> bool:
    return stage != "maximum" or measured["fit"].get("to_gain", 0.0) < 0.5


def main() -> None:
    """Measure, or draw what was measured."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["measure", "draw", "one"])
    parser.add_argument("lines", type=int, nargs="*", help="default 7 19 37 80")
    parser.add_argument("-o", "--output", type=Path, required=True, help="folder of the figures measured")
    parser.add_argument("--picture", type=Path, default=REPOSITORY / "docs/figures/array.png")
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--order", type=int, default=5, help="of the light that is drawn from and fitted")
    parser.add_argument("--seconds", type=float, default=1e9, help="for a climb; 0: none")
    parser.add_argument("--whole", action="store_true", help="the posterior too")
    given = parser.parse_args()
    if given.what == "draw":
        draw(given.output, given.picture)
        return
    given.output.mkdir(parents=True, exist_ok=True)
    if given.what == "one":
        set_threads(given.threads)
        measure(
            given.lines[0], given.order, given.seconds, given.whole, given.output / f"{given.lines[0]}.json"
        )
        return
    for lines in given.lines or [7, 19, 37, 80]:
        print(f"{lines} lines", file=sys.stderr, flush=True)
        options = {
            "output": given.output,
            "threads": given.threads,
            "order": given.order,
            "seconds": given.seconds,
        }
        rest = [f"--{name}={value}" for name, value in options.items()] + ["--whole"] * given.whole
        command = [sys.executable, str(REPOSITORY / "scripts/bench"), "array", "one", str(lines), *rest]
        subprocess.run(command, check=True)


if __name__ == "__main__":
    main()
