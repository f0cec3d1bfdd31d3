"""A task that does nothing but leave a trace: `python -m tests.batch.dummy FOLDER INDEX`."""

import os
import sys
import time
from pathlib import Path


def run(argument: str, index: int, stop: object = None) -> int:
    """Ask to be started again the first time, then be done."""
    folder = Path(argument)
    begun = folder / f"begun-{index}"
    first = not begun.exists()
    with open(begun, "a") as file:
        file.write(f"{os.getpid()} {os.environ.get('ICEOPT_THREADS')}\n")
    if first:
        return 75
    time.sleep(0.1)
    (folder / f"done-{index}").touch()
    return 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1], int(sys.argv[2])))
