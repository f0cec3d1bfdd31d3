#!/usr/bin/env python
"""Make docs/gallery.md and its pictures from the demo's result: scripts/demo, then docs/make_gallery.py."""

import inspect
from pathlib import Path

from iceopt.figures.gallery import FIGURES, draw
from iceopt.figures.style import look
from iceopt.result.read import Result

DOCS = Path(__file__).resolve().parent
RESULT = DOCS.parent / "out/demo/result.h5"
PICTURES = DOCS / "figures/gallery"
HEAD = """# Gallery

The figures of a result, drawn from what `scripts/demo` fits: an **invented** campaign at an invented place.
A figure whose numbers are not final says so in its title. `docs/make_gallery.py` makes this page.

    iceopt plot result.h5 -o figures
    iceopt plot result.h5 -o figures --only time_profiles --pair R012:L01-38
    iceopt plot result.h5 -o figures --only corner --depth 1775 --depth 1925

Each is a PDF for print and a PNG for the screen. `iceopt report` puts them on one page, below the verdict and
a depth profile to explore.
"""


def section(name: str) -> str:
    """Heading, what the figure's function says of itself, and the picture."""
    said = inspect.getdoc(FIGURES[name]).split("\n\nParameters")[0]
    return f"\n## {name}\n\n{said}\n\n![{name}](figures/gallery/{name}.webp)\n"


PICTURES.mkdir(parents=True, exist_ok=True)
with Result(RESULT) as result, look():
    for name in FIGURES:
        draw(name, result).savefig(PICTURES / f"{name}.webp", dpi=80, pil_kwargs={"lossless": True})
(DOCS / "gallery.md").write_text(HEAD + "".join(map(section, FIGURES)), encoding="utf-8")
