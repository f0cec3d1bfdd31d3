"""What a batch needs, looked at from where its tasks will run: `python -m iceopt.batch.probe FOLDER INDEX`.

The answer is a file in the batch's folder, so a node that cannot write there gives none.
"""

import json
import os
import platform
import sys
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from iceopt.files import held, is_held, write_whole

PACKAGES = ("iceopt", "numpy", "scipy", "numba", "h5py", "h5netcdf", "emcee", "polars", "pydantic")
ANSWER = "probe-answer.json"
HELD = "probe-held"
"""A name that the doctor holds while the probe runs: the node must see that it is taken."""


def here() -> dict[str, str]:
    """Versions and threads of this machine, by what they are of."""
    found = {"Python": platform.python_version()}
    for name in PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "absent"
    return found


def run(argument: str, index: int, stop: object = None) -> int:
    """Look at the folder from here and write the answer into it."""
    folder = Path(argument)
    with held(folder / "probe-own"):
        own = is_held(folder / "probe-own")
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)
    answer = {
        "host": platform.node(),
        "versions": here(),
        "locks_here": own,
        "locks_between": is_held(folder / HELD),
        "cores": cores,
        "threads": os.environ.get("ICEOPT_THREADS", str(cores)),
        "numba_cache_writable": os.access(_numba_cache(), os.W_OK),
    }
    write_whole(folder / ANSWER, json.dumps(answer).encode())
    return 0


def _numba_cache() -> Path:
    return Path(os.environ.get("NUMBA_CACHE_DIR", Path(__file__).resolve().parents[1]))


if __name__ == "__main__":
    sys.exit(run(sys.argv[1], int(sys.argv[2])))
