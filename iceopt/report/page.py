"""The page: contents and pictures put into the template, one file that needs no other."""

import base64
import hashlib
import io
import os
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from iceopt import __version__
from iceopt.errors import InputError
from iceopt.figures.gallery import draw, views
from iceopt.figures.style import look
from iceopt.report.contents import season
from iceopt.result.layers import LEAST_SHARE
from iceopt.result.read import Result

LARGEST_BYTES = 5_000_000
_MARKUP_BYTES = 1_000
"""Around a picture, its caption included."""
_DPI = 100

PICTURES = {
    "pulls": "Do the counts agree with the fit? Pulls of all pairs against distance and depth, and of bins "
    "against time; a slope is a fault of the light model.",
    "deviance": "Poisson deviance of the counts by distance, time and receiver, beside what counting and the "
    "fitted errors of the light model lead to: a cell far above that is not described.",
    "time_profiles": "Counts seen and expected against time, for pairs spread over distance.",
    "array_map": "The array: what was used, and what was left out and why.",
    "nuisances": "Relative efficiencies, clock offsets and brightnesses.",
    "dust": "Absorption against scattering length of the layers, with the dust line.",
    "correlations": "Correlations of the layers. Who propagates uncertainties must not drop these.",
    "corner": "Joint distributions of the best, the middling and the worst known layer.",
    "convergence": "R-hat and effective sample size of every parameter.",
    "traces": "Traces of the parameters with the worst R-hat.",
}
"""Figures of each result on the page, in order, and what they are for."""
_STATIC = "depth_profiles"
"""Stands in for the interactive profile where scripts do not run."""


def write_report(
    path: str | Path, results: Sequence[str | Path], done: Callable[[float], None] = lambda part: None
) -> bool:
    """Write the page of one result or several.

    Parameters
    ----------
    path : str or Path
    results : sequence of str or Path
        In the order in which the page shows them.
    done : callable, optional
        Told the part that is done.

    Returns
    -------
    bool
        Whether all results are final.

    Raises
    ------
    InputError
        If a file is not a result, or the page would be larger than `LARGEST_BYTES`.
    """
    with ExitStack() as stack:
        opened = [stack.enter_context(Result(result)) for result in results]
        text = render(opened, done)
        final = all(result.final for result in opened)
    content = text.encode()
    if len(content) > LARGEST_BYTES:
        raise InputError(
            f"{path}: the page of {len(results)} results would be {len(content) / 1e6:.1f} MB, more than the "
            f"{LARGEST_BYTES / 1e6:.0f} MB that can be mailed and opened anywhere; give fewer results"
        )
    path = Path(path)
    temporary = path.with_name(path.name + ".part")
    temporary.write_bytes(content)
    os.replace(temporary, path)
    return final


def render(results: Sequence[Result], done: Callable[[float], None] = lambda part: None) -> str:
    """Return the page as text."""
    seasons = [
        season(result, label) | {"pictures": []}
        for result, label in zip(results, _labels(results), strict=True)
    ]
    room = LARGEST_BYTES - len(_filled(seasons).encode())
    pictures = _pictures(results, room, done)
    return _filled([s | {"pictures": found} for s, found in zip(seasons, pictures, strict=True)])


def _filled(seasons: list[dict[str, Any]]) -> str:
    """Template filled in."""
    environment = Environment(
        loader=PackageLoader("iceopt.report", "assets"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    script = _asset("profile.js")
    return environment.get_template("page.html.j2").render(
        seasons=seasons,
        style=_asset("style.css"),
        script=script,
        script_hash="sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
        least_share=f"{100 * LEAST_SHARE:.0f}",
        version=__version__,
    )


def _labels(results: Sequence[Result]) -> list[str]:
    """Seasons, told apart by the file's name where several are of one season."""
    names = [f"{r.attribute('site')} {r.attribute('season')}" for r in results]
    many = Counter(names)
    labels = [
        f"{name} ({r.path.name})" if many[name] > 1 else name for name, r in zip(names, results, strict=True)
    ]
    again = Counter(labels)
    return [f"{label} [{i + 1}]" if again[label] > 1 else label for i, label in enumerate(labels)]


def _pictures(
    results: Sequence[Result], room: int, done: Callable[[float], None]
) -> list[list[dict[str, str]]]:
    """Pictures of each result; of the last ones alone if those of all would not fit into the room (bytes)."""
    names = (_STATIC, *PICTURES)
    found: list[list[dict[str, str]]] = []
    for result in reversed(results):
        drawn = []
        for number, name in enumerate(names if room > 0 else (), start=1):
            for stem, view in views(name, result):
                label = f"{view.attribute('season')}: " if stem != name else ""
                drawn.append(
                    {"name": stem, "caption": label + PICTURES.get(name, ""), "src": _picture(name, view)}
                )
            done((len(found) + number / len(names)) / len(results))
        room -= sum(len(picture["src"]) + _MARKUP_BYTES for picture in drawn)
        found.insert(0, drawn if room >= 0 else [])
    return found


def _picture(name: str, result: Result) -> str:
    """A figure as a data address: lossless WebP is half the size of PNG."""
    buffer = io.BytesIO()
    with look():
        figure: Any = draw(name, result)
        figure.savefig(buffer, format="webp", dpi=_DPI, pil_kwargs={"lossless": True, "method": 4})
    return "data:image/webp;base64," + base64.b64encode(buffer.getvalue()).decode()


def _asset(name: str) -> Markup:
    """Text of our own that goes into the page as it is."""
    return Markup((files("iceopt.report") / "assets" / name).read_text(encoding="utf-8"))
