"""The planning page: one file that needs no other, in the look of the report."""

import base64
import io
from importlib.resources import files
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from iceopt import __version__
from iceopt.figures.style import look
from iceopt.plan.figures import FIGURES
from iceopt.plan.plan import Plan
from iceopt.plan.words import flash_rows, headline, layer_rows, nuisance_words

_DPI = 100


def render(plan: Plan) -> str:
    """Return the page as text."""
    environment = Environment(
        loader=PackageLoader("iceopt.plan", "assets"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    scenario = plan.scenario
    style = (files("iceopt.report") / "assets" / "style.css").read_text(encoding="utf-8")
    return environment.get_template("plan.html.j2").render(
        style=Markup(style),
        version=__version__,
        label=f"{scenario.site.settings.site} {scenario.site.settings.season}",
        note=scenario.site.settings.note,
        wavelength_nm=f"{scenario.site.settings.wavelength_nm:g}",
        headline=headline(plan),
        nuisances=nuisance_words(plan),
        cautions=plan.cautions,
        alarming=[line for line in plan.cautions if "ABOVE" in line or "NOT CHECKED" in line],
        pictures=[
            {"name": name, "src": _picture(plan, name), "caption": FIGURES[name][1]} for name in FIGURES
        ],
        flashes=flash_rows(plan),
        layers=layer_rows(plan),
        errors=[f"{x:.3g}" for x in np.exp(scenario.site.errors[[0, 2]]) * 100],
        configuration=scenario.site.config.model_dump(mode="json"),
    )


def _picture(plan: Plan, name: str) -> str:
    """A figure as a data address."""
    buffer = io.BytesIO()
    with look():
        figure: Any = FIGURES[name][0](plan)
        figure.savefig(buffer, format="webp", dpi=_DPI, pil_kwargs={"lossless": True, "method": 4})
    return "data:image/webp;base64," + base64.b64encode(buffer.getvalue()).decode()
