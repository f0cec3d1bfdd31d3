"""The table of fits, JOBS.toml, read and multiplied out."""

import itertools
import re
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from iceopt import __version__
from iceopt.batch.engines.base import EngineConfig
from iceopt.batch.plan import Plan, Task, key_of
from iceopt.campaign.read import campaign_sha256
from iceopt.errors import InputError
from iceopt.fit.config import FitConfig, read_config

Count = Annotated[int, Field(ge=1)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class BatchConfig(_Section):
    """What holds for all fits of a batch."""

    folder: str = ""
    """For results, logs and state, seen by every node; default: that of the file without its ending."""
    threads: Count = 1
    """Kernel threads of each fit."""
    attempts: Count = 3
    """How often a fit whose process died is begun."""


class FitsConfig(_Section):
    """Some fits: every campaign with every configuration, every seed and every combination of the grid."""

    campaigns: Annotated[list[str | list[str]], Field(min_length=1)]
    """Folders or HDF5 files; a list within the list is fitted jointly."""
    configs: list[str] = []
    """Settings of `iceopt fit`; none: the defaults."""
    seeds: list[Annotated[int, Field(ge=0)]] = []
    """None: that of the configuration."""
    chains: Count = 1
    """As how many tasks, each with a seed and chains of its own, a fit runs; their results are merged."""
    grid: dict[str, Annotated[list[str | int | float], Field(min_length=1)]] = {}
    """Values that stand for {name} in the paths."""


class Jobs(_Section):
    """A whole JOBS.toml."""

    batch: BatchConfig = BatchConfig()
    engine: EngineConfig = EngineConfig()
    fits: Annotated[list[FitsConfig], Field(min_length=1)]


def read_jobs(path: Path) -> Jobs:
    """Read a table of fits.

    Raises
    ------
    InputError
        If the file cannot be read, is not TOML, or says something unknown or unfit.
    """
    try:
        return Jobs.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror})") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: is not TOML: {error}") from error
    except ValidationError as error:
        raise InputError(f"{path}: {_sentence(error)}") from error


def folder_of(path: Path, jobs: Jobs) -> Path:
    """Where the results of a table of fits go."""
    return path.resolve().parent / (jobs.batch.folder or path.stem)


def plan_of(path: Path, jobs: Jobs) -> tuple[Plan, dict[str, bytes]]:
    """Multiply a table out.

    Parameters
    ----------
    path : Path
        Of the table; paths in it are relative to its folder.
    jobs : Jobs

    Returns
    -------
    plan : Plan
    configs : dict
        Content of the settings file of each task, by the task's name.

    Raises
    ------
    InputError
        If a campaign or a configuration is missing or unfit, or two fits are the same.
    """
    base = path.resolve().parent
    tasks: dict[str, Task] = {}
    configs: dict[str, bytes] = {}
    hashes: dict[Path, dict[str, str]] = {}
    for campaigns, config, seed, chains in _combinations(jobs, str(path)):
        places = [base / name for name in campaigns]
        for place in places:
            if place not in hashes:
                hashes[place] = campaign_sha256(place)
        settings = read_config(base / config if config else None).with_options(seed=seed)
        whole = _task(places, tuple(hashes[place] for place in places), config, settings)
        for task in _pieces(whole, settings, chains):
            if task.name in tasks:
                raise InputError(f"{path}: the fit {task.name} stands in it twice; leave one out")
            tasks[task.name] = task
            configs[task.name] = (base / config).read_bytes() if config else b""
    return Plan(
        folder_of(path, jobs), jobs.batch.threads, jobs.batch.attempts, tuple(tasks.values())
    ), configs


def _task(
    campaigns: list[Path], input_sha256: tuple[dict[str, str], ...], config: str, settings: FitConfig
) -> Task:
    configuration = settings.model_dump(mode="json")
    words = [*(p.stem for p in campaigns), *([Path(config).stem] if config else []), f"seed{settings.seed}"]
    label = re.sub(r"[^A-Za-z0-9._-]", "_", "-".join(words)).lstrip(".")[:150]
    return Task(
        name=f"{label}-{key_of(input_sha256, configuration, __version__)}",
        campaigns=tuple(str(p) for p in campaigns),
        input_sha256=input_sha256,
        configuration=configuration,
        version=__version__,
    )


def _pieces(whole: Task, settings: FitConfig, chains: int) -> list[Task]:
    """The tasks of one fit: itself, or as many as it has chains, of seeds that no other fit's pieces have."""
    if chains == 1:
        return [whole]
    label, _, _ = whole.name.rpartition("-")
    key = key_of(whole.input_sha256, whole.configuration | {"chains": chains}, whole.version)
    group = f"{label}-chains{chains}-{key}"
    seeds = [settings.seed * chains + i for i in range(chains)]
    pieces = []
    for number, seed in enumerate(seeds, start=1):
        configuration = whole.configuration | {"seed": seed}
        key = key_of(whole.input_sha256, configuration, whole.version)
        name = f"{label}-chain{number}of{chains}-{key}"
        pieces.append(replace(whole, name=name, configuration=configuration, group=group))
    return pieces


def _combinations(jobs: Jobs, where: str) -> Iterator[tuple[list[str], str, int | None, int]]:
    """Every campaign, configuration and seed, and as how many tasks; `{name}` filled in."""
    for number, fits in enumerate(jobs.fits, start=1):
        seen = set()
        for values in itertools.product(*fits.grid.values()):
            grid = dict(zip(fits.grid, values, strict=True))
            for campaigns in fits.campaigns:
                for config in fits.configs or [""]:
                    several = [campaigns] if isinstance(campaigns, str) else campaigns
                    filled = [_filled(text, grid, f"{where}: fits {number}") for text in [*several, config]]
                    if tuple(filled) in seen:
                        continue  # neither path depends on this value of the grid
                    seen.add(tuple(filled))
                    seeds: list[int] | list[None] = fits.seeds or [None]
                    for seed in seeds:
                        yield filled[:-1], filled[-1], seed, fits.chains


def _filled(text: str, grid: dict[str, Any], where: str) -> str:
    def value(found: re.Match[str]) -> str:
        if found[1] not in grid:
            known = ", ".join(grid) or "none"
            raise InputError(f"{where}: {found[0]} in {text!r} is not in its grid; the grid has: {known}")
        return str(grid[found[1]])

    return re.sub(r"\{(\w+)\}", value, text)


def _sentence(error: ValidationError) -> str:
    """First complaint of a validation as one sentence."""
    first = error.errors()[0]
    place = ".".join(str(part) for part in first["loc"]) or "the file"
    if first["type"] == "extra_forbidden":
        return f"{place} is not a setting of a batch; see docs/batch.md for those that are"
    if first["type"] == "missing":
        return f"{place} is missing; expected at least one table [[fits]] with its campaigns"
    shown = first["input"]
    found = f"; found {shown!r}" if isinstance(shown, str | int | float | bool) else ""
    return f"{place}: {first['msg'][0].lower()}{first['msg'][1:]}{found}"
