"""Check a site before a batch: here, and from a node through the engine that will run the tasks."""

import json
import shutil
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from iceopt.batch.engines import engine_of
from iceopt.batch.engines.base import EngineConfig, TaskArray
from iceopt.batch.probe import ANSWER, HELD, here
from iceopt.errors import InputError
from iceopt.files import held, write_whole

_LEAST_FREE_BYTES = 1_000_000_000
_LOOK_EVERY_S = 0.5


@dataclass(frozen=True)
class Check:
    """One thing that was looked at."""

    what: str
    good: bool
    found: str


def checks(folder: Path, engine_config: EngineConfig, threads: int, wait_s: float) -> Iterator[Check]:
    """Look at everything a batch needs, one thing after another.

    Parameters
    ----------
    folder : Path
        The batch's folder; made if it is missing.
    engine_config : EngineConfig
    threads : int
        Of each fit.
    wait_s : float
        How long to wait for a node's answer (s).

    Yields
    ------
    Check
    """
    mine = here()
    yield Check("Python and packages here", True, ", ".join(f"{k} {v}" for k, v in mine.items()))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(folder / "probe-write", b"x")
        (folder / "probe-write").unlink()
        free = shutil.disk_usage(folder).free
    except OSError as error:
        yield Check("folder writable here", False, f"{folder}: {error.strerror}")
        return
    yield Check(
        "folder writable here", free > _LEAST_FREE_BYTES, f"{folder}, {free / 1e9:.1f} GB free (1 is little)"
    )
    engine = engine_of(engine_config)
    missing = engine.missing()
    yield Check(f"engine {engine_config.name}", not missing, missing or "found")
    if not missing:
        yield from _from_a_node(folder, engine_config, threads, wait_s, mine)


def _from_a_node(
    folder: Path, engine_config: EngineConfig, threads: int, wait_s: float, mine: dict[str, str]
) -> Iterator[Check]:
    """Run the probe as a task, and compare what it says."""
    place = Path(tempfile.mkdtemp(prefix="probe-", dir=folder))
    array = TaskArray("iceopt-probe", "iceopt.batch.probe", str(place), 1, threads, place)
    try:
        with held(place / HELD):
            said: list[str] = []
            try:
                engine_of(engine_config).start(array, said.append)
            except InputError as error:
                yield Check("task started", False, str(error))
                return
            answer = _answer(place, wait_s)
        if answer is None:
            told = "; ".join([*said, *_outputs(place)])
            yield Check("answer from a node", False, f"none within {wait_s:g} s: {told}")
            return
    finally:
        shutil.rmtree(place, ignore_errors=True)
    yield Check("folder writable from a node", True, f"{answer['host']} wrote there")
    theirs = answer["versions"]
    other = [f"{k} {theirs.get(k)} there, {v} here" for k, v in mine.items() if theirs.get(k) != v]
    yield Check("same Python and packages there", not other, "; ".join(other) or "yes")
    locks = answer["locks_here"] and answer["locks_between"]
    yield Check(
        "file locks",
        locks,
        "seen from the node" if locks else "a lock held here is not seen there: mount the folder with flock",
    )
    enough = int(answer["threads"]) <= answer["cores"]
    yield Check("threads there", enough, f"{answer['threads']} a fit on {answer['cores']} cores of the task")
    yield Check(
        "kernels can be kept compiled there",
        answer["numba_cache_writable"],
        "yes" if answer["numba_cache_writable"] else "no: set NUMBA_CACHE_DIR to a folder that is writable",
    )


def _answer(place: Path, wait_s: float) -> dict | None:
    end = time.monotonic() + wait_s
    while not (place / ANSWER).exists():
        if time.monotonic() > end:
            return None
        time.sleep(_LOOK_EVERY_S)
    content: dict = json.loads((place / ANSWER).read_bytes())
    return content


def _outputs(place: Path) -> list[str]:
    """What the engine's own output files say, last lines first to blame."""
    files = [p for p in sorted(place.iterdir()) if p.suffix in (".log", ".err", ".out")]
    return [" ".join(p.read_text(errors="replace").split())[-300:] for p in files]
