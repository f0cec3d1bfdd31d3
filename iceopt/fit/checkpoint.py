"""What a fit has done so far, on disk, so that a killed one goes on.

A folder of small HDF5 files. Each is written whole to a temporary name, synced and renamed, and never
touched again, so a kill at any moment leaves only whole files: the unfinished piece is lost, no more.
"""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from iceopt.errors import DiskError, InputError, Stopped
from iceopt.files import write_whole
from iceopt.hdf5 import Seal, seal_of, sealed

Arrays = dict[str, NDArray[Any]]

_FINGERPRINT = "fingerprint.json"


class Checkpoint:
    """Pieces of an unfinished fit, by stage and number.

    Parameters
    ----------
    folder : Path
    fingerprint : dict
        What must be the same when the fit goes on, as plain strings: a word for each thing.
    resume : bool
        Whether to go on with what the folder holds.
    stop : callable, optional
        Says whether the fit has been told to stop; it then does, once its progress is written.

    Raises
    ------
    InputError
        If there is an unfinished fit and it may not go on, or it was another fit, or there is none to
        resume.
    """

    def __init__(
        self, folder: Path, fingerprint: dict[str, str], resume: bool, stop: Callable[[], bool] = bool
    ) -> None:
        self.folder, self._stop = folder, stop
        if resume:
            self._compare(fingerprint)
            return
        if (folder / _FINGERPRINT).exists():
            raise InputError(
                f"{folder} holds an unfinished fit; go on with --resume, or remove that folder to start anew"
            )
        folder.mkdir(parents=True, exist_ok=True)
        write_whole(folder / _FINGERPRINT, json.dumps(fingerprint).encode())

    @property
    def stopping(self) -> bool:
        """Whether progress should be written now, as the fit is to stop."""
        return self._stop()

    def write(self, stage: str, number: int, arrays: Arrays) -> None:
        """Write a piece whole, or not at all.

        Raises
        ------
        Stopped
            Once it is written, if the fit has been told to stop.
        """
        with h5py.File.in_memory() as file:
            for name, value in arrays.items():
                file[name] = value
            file.flush()
            content = file.id.get_file_image()
        write_whole(self.folder / f"{stage}-{number:06d}.h5", sealed(content))
        if self.stopping:
            raise Stopped(f"{self.folder}: the fit was told to stop; go on with --resume")

    def read(self, stage: str) -> list[Arrays]:
        """All pieces of a stage, in the order of their numbers, without gaps.

        Raises
        ------
        DiskError
            If a piece is damaged.
        """
        pieces: list[Arrays] = []
        while (path := self.folder / f"{stage}-{len(pieces):06d}.h5").exists():
            try:
                if seal_of(path) is not Seal.RIGHT:
                    raise OSError("its seal is not right")
                with h5py.File(path) as file:
                    pieces.append({name: file[name][()] for name in file})
            except (OSError, RuntimeError, KeyError) as error:
                raise DiskError(f"{path}: is damaged; remove its folder to start anew") from error
        return pieces

    def remove(self) -> None:
        """Remove it all: the fit is finished."""
        shutil.rmtree(self.folder)

    def _compare(self, fingerprint: dict[str, str]) -> None:
        path = self.folder / _FINGERPRINT
        if not path.exists():
            raise InputError(f"{self.folder}: there is no unfinished fit to resume; leave out --resume")
        try:
            before = json.loads(path.read_text())
        except ValueError as error:
            raise DiskError(f"{path}: is damaged; remove its folder to start anew") from error
        changed = sorted(k for k in before.keys() | fingerprint.keys() if before.get(k) != fingerprint.get(k))
        if changed:
            raise InputError(
                f"{self.folder}: the unfinished fit was another one, its {', '.join(changed)} differ; "
                "give it the same campaign and configuration, or remove that folder to start anew"
            )


def pack_random_state(state: tuple) -> Arrays:
    """Arrays of a Mersenne Twister's state, as `numpy.random.RandomState.get_state` gives it."""
    return {
        "random_keys": np.asarray(state[1]),
        "random_rest": np.array([state[2], state[3], state[4]], dtype=np.float64),
    }


def unpack_random_state(arrays: Arrays) -> tuple:
    """The state that `pack_random_state` packed."""
    position, has_gauss, gauss = arrays["random_rest"]
    return ("MT19937", arrays["random_keys"].astype(np.uint32), int(position), int(has_gauss), float(gauss))
