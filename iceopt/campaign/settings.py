"""`campaign.toml`: what holds for the whole campaign, checked key by key."""

import json
import tomllib
from collections.abc import Sequence
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from iceopt.campaign.model import Settings
from iceopt.errors import InputError

MOST_BINS = 10_000
"""A time grid finer than this is taken for a slip of the units."""

_GRID_TOLERANCE = 1e-6
"""Share of a bin by which a time may miss the grid: written decimals, not physics."""

Number = Annotated[float, Field(allow_inf_nan=False)]
Spread = Annotated[float, Field(allow_inf_nan=False, ge=0, le=5)]


Text = Annotated[str, Field(pattern=r"^[^\x00]*$")]


class Section(BaseModel):
    """A part of a TOML file; keys that are not known are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _Campaign(Section):
    site: Annotated[Text, Field(min_length=1)]
    season: Annotated[Text, Field(min_length=1)]
    note: Text = ""


class _Optics(Section):
    wavelength_nm: Annotated[Number, Field(ge=200, le=1000)]
    group_index: Annotated[Number, Field(ge=1, le=2)]
    scattering_anisotropy: Annotated[Number, Field(gt=-1, lt=1)]


class _Emitter(Section):
    pattern: Literal["isotropic", "ring", "single"]
    elevation_deg: Annotated[Number, Field(ge=-90, le=90)]
    elevation_spread_deg: Annotated[Number, Field(ge=0, le=180)]
    brightness_spread: Spread


class _Receiver(Section):
    effective_area_m2: Annotated[Number, Field(gt=0, le=100)]
    acceptance_slope: Annotated[Number, Field(ge=-1, le=1)]
    axis: Literal["down"]
    efficiency_spread: Spread
    dark_rate_hz: Annotated[Number, Field(ge=0)]
    linear_up_to_per_pulse_ns: Annotated[Number, Field(gt=0)]
    timing_spread_ns: Annotated[Number, Field(ge=0)]


class _Readout(Section):
    bin_ns: Annotated[Number, Field(gt=0)]
    start_ns: Number
    stop_ns: Number

    @model_validator(mode="after")
    def _whole_bins(self) -> Self:
        bins = (self.stop_ns - self.start_ns) / self.bin_ns
        if self.stop_ns <= max(self.start_ns, 0):
            raise ValueError("stop_ns must be after start_ns and after the flash at 0 ns")
        if not bins <= MOST_BINS:
            raise ValueError(
                f"start_ns, stop_ns and bin_ns give {bins:.4g} bins; at most {MOST_BINS} are read"
            )
        if bins < 1 or abs(bins - round(bins)) > _GRID_TOLERANCE:
            raise ValueError(f"start_ns to stop_ns must be a whole number of bins of bin_ns, not {bins:.6g}")
        return self


class _File(Section):
    campaign: _Campaign
    optics: _Optics
    emitter: _Emitter
    receiver: _Receiver
    readout: _Readout


SECTIONS = tuple(_File.model_fields)
"""The tables of `campaign.toml`, in order."""


def bins_of(settings: Settings) -> int:
    """Number of bins of the readout."""
    return round((settings.stop_ns - settings.start_ns) / settings.bin_ns)


def bin_tolerance(settings: Settings) -> float:
    """Time by which a bin's start may miss the grid (ns)."""
    return _GRID_TOLERANCE * settings.bin_ns


def settings_from_toml(text: str, where: str) -> Settings:
    """Parse and check the text of a `campaign.toml`.

    Parameters
    ----------
    text : str
        Content of the file.
    where : str
        Its name, for messages.

    Raises
    ------
    InputError
        If it is not TOML, or a key is unknown, missing, of the wrong type or out of range.
    """
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{where}: not valid TOML: {error}") from error
    return settings_from_sections(content, where)


def settings_from_sections(content: dict[str, Any], where: str) -> Settings:
    """Check nested settings, as in `campaign.toml`; raises InputError naming the first bad key."""
    try:
        file = _File.model_validate(content)
    except ValidationError as error:
        raise InputError(f"{where}: {_sentence(error)}") from error
    emitter = file.emitter.model_dump()
    emitter["emitter_pattern"] = emitter.pop("pattern")
    return Settings(
        **file.campaign.model_dump(),
        **file.optics.model_dump(),
        **emitter,
        **file.receiver.model_dump(exclude={"axis"}),
        **file.readout.model_dump(),
    )


def settings_to_sections(settings: Settings) -> dict[str, dict[str, str | float]]:
    """The settings nested as in `campaign.toml`."""
    known = vars(settings) | {"pattern": settings.emitter_pattern, "axis": "down"}
    return {
        section: {key: known[key] for key in info.annotation.model_fields}  # type: ignore[union-attr]
        for section, info in _File.model_fields.items()
    }


def settings_to_toml(settings: Settings) -> str:
    """The text of a `campaign.toml` that reads back as these settings."""
    blocks = []
    for section, content in settings_to_sections(settings).items():
        lines = (f"{key} = {_toml_value(value)}\n" for key, value in content.items())
        blocks.append(f"[{section}]\n" + "".join(lines))
    return "\n".join(blocks)


def _toml_value(value: str | float) -> str:
    if isinstance(value, str):  # a JSON string is a TOML basic string, but for a bare DEL
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(float(value))


_EXPECTED = {
    "string_type": "text in quotes",
    "string_too_short": "some text",
    "string_pattern_mismatch": "text without NUL characters",
    "float_type": "a number",
    "finite_number": "a finite number",
    "model_type": "a table of keys",
}
_BOUND = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}


def _sentence(error: ValidationError) -> str:
    """One sentence from the first of pydantic's errors; an unknown key tells more than the one it is not."""
    first = min(error.errors(), key=lambda entry: entry["type"] != "extra_forbidden")
    kind, name = first["type"], name_of(first["loc"])
    section, *key = (str(part) for part in first["loc"])
    if kind == "missing":
        return f"{name} is missing; add it"
    if kind == "extra_forbidden":
        known = ", ".join(_known_keys(section) if key else SECTIONS)
        return f"{name} is not known; expected only {known}"
    if kind == "value_error":
        return f"{name}: {first['ctx']['error']}"
    expected = _EXPECTED.get(kind)
    if expected is None:
        context = first.get("ctx", {})
        expected = context.get("expected") or bounds_of(context)
    return f"{name} is {shown(first['input'])}; expected {expected or first['msg']}"


def name_of(place: Sequence[str | int]) -> str:
    """A key as messages name it: [section] key."""
    return " ".join(f"[{part}]" if i == 0 else str(part) for i, part in enumerate(place))


def bounds_of(context: dict[str, Any]) -> str:
    """The numbers that pydantic expected, in words, from its error's context; empty if it has no bounds."""
    bounds = [f"{words} {context[bound]:g}" for bound, words in _BOUND.items() if bound in context]
    return f"a number {' and '.join(bounds)}" if bounds else ""


def shown(found: Any) -> str:
    """What was found, as messages show it."""
    words = repr(found)
    return words if len(words) <= 60 else words[:57] + "..."


def _known_keys(section: str) -> tuple[str, ...]:
    return tuple(_File.model_fields[section].annotation.model_fields)  # type: ignore[union-attr]
