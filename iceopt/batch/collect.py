"""One table and one figure over all results of a batch."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from iceopt.batch.plan import Plan
from iceopt.batch.state import Status
from iceopt.figures.gallery import save
from iceopt.figures.style import WARM, depth_axis, look, subplots
from iceopt.files import write_whole
from iceopt.result.export import layer_draws, layer_table
from iceopt.result.read import Result

_MOST_BANDS = 6
"""More results than this are drawn without their bands: only the medians can still be told apart."""
_MOST_NAMES = 20
_COLUMNS = ("fit", "site", "season", "seed", "light_model", "converged", "final")


def collect(plan: Plan, found: Sequence[Status]) -> list[Path]:
    """Write `collected.csv`, `collected.pdf` and `collected.png` into the batch's folder.

    Only good results enter; every other fit is named on top of the table with what became of it.

    Parameters
    ----------
    plan : Plan
    found : sequence of Status

    Returns
    -------
    list of Path
        Empty if there is no good result.
    """
    done = [status for status in found if status.word == "done"]
    if not done:
        return []
    path = plan.folder / "collected.csv"
    write_whole(path, _table(plan, found).encode())
    with look():
        figure = _figure(plan, done)
    return [path, *save(figure, plan.folder / "collected")]


def _table(plan: Plan, found: Sequence[Status]) -> str:
    """Layers of all results, one row a fit and layer."""
    text = io.StringIO()
    text.write("# lengths in m: median and quantiles in percent; depth in m, positive down\n")
    for status in found:
        if status.word != "done":
            text.write(
                f"# {status.task.name}: {status.word} {' '.join(status.reason.split())}".rstrip() + "\n"
            )
    writer = csv.writer(text, lineterminator="\n")
    first = True
    for status in found:
        if status.word != "done":
            continue
        with Result(plan.result(status.task)) as result:
            header, rows = layer_table(layer_draws(result))
            if first:
                writer.writerow([*_COLUMNS, *header])
                first = False
            start = [
                status.task.name,
                *(result.attribute(name) for name in ("site", "season", "seed", "light_model")),
                int(result.converged),
                int(result.final),
            ]
            for row in rows:
                writer.writerow([*start, *(f"{v:.6g}" if isinstance(v, float) else v for v in row)])
    return text.getvalue()


def _figure(plan: Plan, done: Sequence[Status]) -> Figure:
    """Both lengths against depth, one line a result; dashed where it is not final."""
    figure, axes = subplots(7.5, 6.5, 1, 2, sharey=True)
    colours = mpl.colormaps["cividis"](np.linspace(0.0, 0.9, len(done)))
    doubtful = 0
    for status, colour in zip(done, colours, strict=True):
        with Result(plan.result(status.task)) as result:
            top, bottom = (result.values("constant_data", n) for n in ("layer_top", "layer_bottom"))
            style = "-" if result.final else "--"
            doubtful += not result.final
            depth = np.column_stack([top, bottom]).ravel()
            for axis, name in zip(axes[0], ("scattering_length", "absorption_length"), strict=True):
                low, middle, high = np.repeat(result.quantiles(name, [0.16, 0.5, 0.84]), 2, axis=1)
                axis.plot(middle, depth, style, color=colour, linewidth=1.2, label=status.task.name)
                if len(done) <= _MOST_BANDS:
                    axis.fill_betweenx(depth, low, high, color=colour, alpha=0.2, linewidth=0)
    for axis, words in zip(
        axes[0], ("effective scattering length (m)", "absorption length (m)"), strict=True
    ):
        axis.set_xlabel(words)
        axis.set_xlim(left=0.0)
    depth_axis(axes[0][0])
    title = f"{len(done)} fits: medians" + (" and 68 % intervals" if len(done) <= _MOST_BANDS else "")
    if doubtful:
        title += f"\n{doubtful} NOT final (dashed): see what `iceopt show` says of each"
    figure.suptitle(title, fontsize=9, color=WARM if doubtful else "black")
    if len(done) <= _MOST_NAMES:
        figure.legend(*axes[0][0].get_legend_handles_labels(), loc="outside lower center", fontsize=6)
    return figure
