"""Read a result file, no more of it than is asked for."""

import copy
import json
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from iceopt.errors import InputError
from iceopt.fit.limits import LARGEST_OWN_ERROR, is_explained
from iceopt.hdf5 import BEING_WRITTEN, damage_of
from iceopt.ice.attitude import Attitude
from iceopt.ice.layers import Ice
from iceopt.result.checksum import ATTRIBUTE, content_sha256
from iceopt.result.schema import NAME, UNITS, VERSION, campaign_group

Array = NDArray[np.float64]

_BLOCK_BYTES = 2**25
"""Draws that are held at once while quantiles are found."""
_JSON = ("input_sha256", "configuration", "versions", "standing_complaints", "pieces")
_LOCKED, _NO_LOCKS = ("already open for write", "unable to lock file"), "No locks available"


class Result:
    """An open result file; use it in a `with` statement.

    Parameters
    ----------
    path : str or Path

    Raises
    ------
    InputError
        If the file is not a result that this version can read.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._own_group = ""
        try:
            if damage := damage_of(self.path):
                raise InputError(f"{path}: {_mended(damage)}")
            self._file = h5py.File(self.path)
        except FileNotFoundError as error:
            raise InputError(f"{path}: there is no such file") from error
        except OSError as error:
            raise InputError(f"{path}: {_why_not_open(error)}") from error
        attributes = self._file.attrs
        if _text(attributes.get("schema", "")) != NAME:
            self._file.close()
            raise InputError(
                f"{path}: is not a result of `iceopt fit`; its attribute 'schema' is not {NAME!r}"
            )
        found = _number(attributes.get("schema_version", -1))
        if found != VERSION:
            self._file.close()
            raise InputError(
                f"{path}: was written in version {found} of the result schema; this iceopt reads version "
                f"{VERSION}: use the iceopt that wrote it, or fit again"
            )

    def __enter__(self) -> "Result":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def verify(self) -> None:
        """Read everything and compare it with the checksum that was stored with it.

        Raises
        ------
        InputError
            If the file is damaged or was changed after it was written, or holds no checksum.
        """
        try:
            stored = _text(self._file.attrs.get(ATTRIBUTE, ""))
            found = content_sha256(self._file)
        except (OSError, RuntimeError, KeyError, ValueError, TypeError) as error:
            raise InputError(f"{self.path}: is damaged and cannot be read; fit again ({error})") from error
        if not stored:
            raise InputError(f"{self.path}: holds no checksum of its content; fit again")
        if found != stored:
            raise InputError(
                f"{self.path}: its content does not match its checksum, it was damaged or changed after it "
                "was written; fit again"
            )

    def campaigns(self) -> list["Result"]:
        """Give this result as each campaign sees it: its own variables and names, and those that all share.

        Of one campaign alone that is the result itself.
        """
        views: list[Result] = []
        while (name := campaign_group(len(views))) in self._file:
            views.append(copy.copy(self))
            views[-1]._own_group = name + "/"
        return views or [self]

    @property
    def converged(self) -> bool:
        """Whether the fit converged."""
        return bool(_number(self._file.attrs["converged"]))

    @property
    def final(self) -> bool:
        """Whether the numbers can stand: the fit converged, and its light model is good enough."""
        own, fitted = self.attribute("light_model_error"), self.attribute("fitted_pair_error")
        return self.converged and bool(own <= LARGEST_OWN_ERROR) and bool(is_explained(fitted, own))

    @property
    def attitude(self) -> Attitude:
        """How the ice lies, given or found; the layers are those at x = y = 0."""
        return Attitude(*np.asarray(self.attribute("attitude")).tolist())

    @property
    def verdict(self) -> str:
        """Convergence in words; to be shown wherever numbers are."""
        return _text(self._file.attrs["verdict"])

    def attribute(self, name: str) -> Any:
        """One provenance attribute: text, a number or an array of them; JSON attributes are parsed."""
        own = self._file[self._own_group or "/"].attrs
        attributes = own if name in own else self._file.attrs
        if name not in attributes:
            raise InputError(
                f"{self.path}: has no attribute {name!r}; it is damaged or of an earlier iceopt: fit again"
            )
        value = attributes[name]
        if name in _JSON:
            return json.loads(_text(value))
        if isinstance(value, str | bytes):
            return _text(value)
        return _number(value) if np.size(value) == 1 else np.asarray(value)

    def __contains__(self, attribute: str) -> bool:
        return attribute in self._file.attrs

    def names(self, group: str) -> list[str]:
        """Variables of a group."""
        groups = [self._file[place] for place in self._places(group) if place in self._file]
        return [n for found in groups for n, v in found.items() if isinstance(v, h5py.Dataset)]

    def shape(self, group: str, name: str) -> tuple[int, ...]:
        """Shape of a variable, without reading it."""
        return tuple(self._dataset(group, name).shape)

    def values(self, group: str, name: str, rows: slice | int = slice(None)) -> NDArray[Any]:
        """A variable, or some rows of its first dimension."""
        dataset = self._dataset(group, name)
        if h5py.check_string_dtype(dataset.dtype):
            return np.array(dataset.asstr()[rows], dtype=object)
        return np.asarray(dataset[rows])

    def units(self, name: str) -> str:
        """Units of a variable."""
        return UNITS.get(name, "1")

    def draws(self, name: str) -> Array:
        """Draws of a posterior variable, chains joined: shape (draw, ...)."""
        values = self.values("posterior", name)
        return values.reshape(-1, *values.shape[2:])

    def quantiles(self, name: str, at: Sequence[float]) -> Array:
        """Quantiles of a posterior variable over chains and draws, shape (quantile, ...).

        Of a variable with a further dimension, some columns are read at a time, so that the memory needed
        does not grow with it.
        """
        dataset = self._dataset("posterior", name)
        chains, draws, *rest = dataset.shape
        if len(rest) != 1:
            return np.quantile(self.draws(name), np.array(at), axis=0)
        columns = max(1, _BLOCK_BYTES // (8 * chains * draws))
        blocks = (dataset[:, :, i : i + columns] for i in range(0, rest[0], columns))
        found = [np.quantile(block.reshape(chains * draws, -1), np.array(at), axis=0) for block in blocks]
        return np.concatenate(found, axis=1)

    def edges_m(self) -> Array:
        """Depths of the layer edges, shape (layer + 1,) (m)."""
        top, bottom = (self.values("constant_data", n) for n in ("layer_top", "layer_bottom"))
        return np.append(top, bottom[-1])

    def median_ice(self) -> Ice:
        """Give the ice whose lengths are the posterior medians, layer by layer."""
        lengths = (self.quantiles(n, [0.5])[0] for n in ("scattering_length", "absorption_length"))
        return Ice(self.edges_m(), *lengths)

    def _dataset(self, group: str, name: str) -> h5py.Dataset:
        for place in self._places(group):
            if f"{place}/{name}" in self._file:
                return self._file[place][name]
        raise InputError(
            f"{self.path}: has no variable {group}/{name}; it is damaged or of an earlier iceopt: fit again"
        )

    def _places(self, group: str) -> tuple[str, ...]:
        """Where a group's variables are looked for, one after another."""
        return (self._own_group + group, group) if self._own_group else (group,)


def _why_not_open(error: OSError) -> str:
    """Say in words why HDF5 did not open a file that exists."""
    if any(words in str(error) for words in _LOCKED):
        return _mended(BEING_WRITTEN)
    if _NO_LOCKS in str(error):
        return (
            "lies on a file system without locks; set HDF5_USE_FILE_LOCKING=FALSE if nobody writes it, or "
            "copy it elsewhere"
        )
    return f"is not a whole HDF5 file ({error})"


def _mended(damage: str) -> str:
    if damage == BEING_WRITTEN:
        return f"{damage}; wait for it, or read the file it is going to replace"
    return f"{damage}; fit again"


def _text(value: Any) -> str:
    return value.decode() if isinstance(value, bytes) else str(value)


def _number(value: Any) -> Any:
    """A numeric attribute: netCDF stores it as an array of one."""
    return np.asarray(value).ravel()[0].item()
