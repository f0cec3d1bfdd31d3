"""What scenarios of simulated and of planned campaigns have in common: lines, flashes, how they are read."""

import tomllib
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path
from typing import Annotated, Any, TypeVar

import numpy as np
from pydantic import Field, ValidationError

from iceopt.campaign.model import Modules, Settings
from iceopt.campaign.settings import SECTIONS, Number, Section, bounds_of, name_of, shown
from iceopt.errors import InputError

Positive = Annotated[Number, Field(gt=0)]
Name = Annotated[str, Field(min_length=1)]


File = TypeVar("File", bound=Section)


class Line(Section):
    """A vertical line of evenly spaced modules, counted from 1 at the top: module NAME-01, NAME-02..."""

    name: Name
    x_m: Number
    y_m: Number
    top_m: Annotated[Number, Field(ge=0)]
    spacing_m: Positive
    modules: Annotated[int, Field(ge=1, le=10_000)]

    @property
    def module_names(self) -> list[str]:
        """Names of its modules, from the top."""
        return [f"{self.name}-{i + 1:02d}" for i in range(self.modules)]


class Flashing(Section):
    """Which modules flash: every so many on each line, or those named; with one LED, once an azimuth."""

    every: Annotated[int, Field(ge=1)] | None = None
    emitters: list[Name] = []
    azimuths_deg: list[Annotated[Number, Field(ge=-360, le=360)]] = []
    half_window_m: Positive


def read_scenario_file(path: Path, kind: type[File]) -> tuple[File, dict[str, Any]]:
    """Read a scenario: its own part, checked key by key; sections that a campaign file has, unchecked.

    Raises
    ------
    InputError
        If it cannot be read or anything in its own part is not as expected; names the key.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: not valid TOML: {error}") from error
    try:
        own = kind.model_validate({key: value for key, value in content.items() if key not in SECTIONS})
    except ValidationError as error:
        raise InputError(f"{path}: {_sentence_of(error)}") from error
    return own, {key: value for key, value in content.items() if key in SECTIONS}


def modules_on(lines: Sequence[Line], dead: Sequence[str], where: str) -> Modules:
    """Modules of vertical lines.

    Raises
    ------
    InputError
        If two lines share a name.
    """
    names = [line.name for line in lines]
    again = [name for name in names if names.count(name) > 1]
    if again:
        raise InputError(f"{where}: two lines are named {again[0]!r}; give each its own name")
    rows = [
        (name, line.name, i + 1, line.x_m, line.y_m, line.top_m + i * line.spacing_m)
        for line in lines
        for i, name in enumerate(line.module_names)
    ]
    name, line, slot, x, y, depth = zip(*rows, strict=True)
    return Modules(
        name=name,
        line=line,
        slot=np.array(slot, dtype=np.int64),
        position_m=np.column_stack([x, y, depth]).astype(float),
        relative_efficiency=np.ones(len(rows)),
        alive=~np.isin(name, dead),
    )


def emitters_of(flashing: Flashing, settings: Settings, modules: Modules, where: str) -> list[int]:
    """Modules that flash, those that are dead among them, by their places among the modules.

    Raises
    ------
    InputError
        If [flashes] does not say which, or not where single LEDs point, or names what is no module.
    """
    if (flashing.every is None) == (not flashing.emitters):
        raise InputError(f"{where}: [flashes] needs either every or emitters")
    if settings.single_leds != bool(flashing.azimuths_deg):
        raise InputError(
            f"{where}: [flashes] azimuths_deg, where the LEDs of an emitter point, goes with the emitter "
            f"pattern 'single', and only with it; the pattern is {settings.emitter_pattern!r}"
        )
    if flashing.every is not None:
        return [int(i) for i in np.flatnonzero((modules.slot - 1) % flashing.every == 0)]
    refuse_unknown("[flashes] emitters", flashing.emitters, modules.name, where)
    return [modules.name.index(name) for name in flashing.emitters]


def refuse_unknown(
    key: str, names: Iterable[str], known: Collection[str], where: str, what: str = "module"
) -> None:
    """Raise InputError if a key names a module, or what else is said, that there is none of."""
    for name in names:
        if name not in known:
            raise InputError(f"{where}: {key} names {name!r}, which is no {what} of the scenario")


def _sentence_of(error: ValidationError) -> str:
    """One sentence from the first of pydantic's errors."""
    first = error.errors()[0]
    name = name_of(first["loc"])
    if first["type"] == "missing":
        return f"{name} is missing; add it"
    if first["type"] == "extra_forbidden":
        return f"{name} is not known"
    return f"{name} is {shown(first['input'])}; expected {bounds_of(first.get('ctx', {})) or first['msg']}"
