"""`iceopt show`: a result on the terminal."""

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from iceopt.result.layers import Lengths
    from iceopt.result.read import Result

WIDTH = 100
_BAR = 18


def show(result: Annotated[Path, typer.Argument(help="Result file of `iceopt fit`.")]) -> None:
    """Print a result: convergence first, then layers, what was left out, and the error's size."""
    from iceopt.result.read import Result

    with Result(result) as content:
        content.verify()
        for line in summary(content):
            typer.echo(line)


def summary(result: "Result") -> list[str]:
    """Lines of at most `WIDTH` characters that sum up a result."""
    from iceopt.result.summary import lie_of_the_ice, light_model_errors, scatter

    campaigns = result.campaigns()
    paragraphs = [
        f"{result.attribute('site')} {result.attribute('season')}, {result.attribute('wavelength_nm'):g} nm",
        result.verdict,
        *light_model_errors(result),
        scatter(result),
        lie_of_the_ice(result),
        *(_left_out(view, view.attribute("season") if len(campaigns) > 1 else "") for view in campaigns),
    ]
    return [
        *(line for paragraph in paragraphs for line in textwrap.wrap(paragraph, WIDTH)),
        "",
        *_profile(result),
        "",
        *_provenance(result),
    ]


def _left_out(result: "Result", season: str) -> str:
    from iceopt.result.summary import counted, left_out

    out, where = left_out(result), f" of {season}" if season else ""
    return (
        f"Left out{where}: modules: {counted(out['modules'])}; runs: {counted(out['runs'])}; pairs: "
        f"{counted(out['pairs'])}."
    )


def _profile(result: "Result") -> list[str]:
    """One row a layer: depths, both lengths with 68 % intervals and a picture of each, and marks."""
    from iceopt.fit.limits import LARGEST_RHAT, LEAST_ESS
    from iceopt.result.layers import LEAST_SHARE, read_layers

    layers = read_layers(result)
    both = (layers.scattering, layers.absorption)
    longest_m = [float(lengths.quantiles_m[-1].max()) for lengths in both]
    titles = ("scattering length (m)", "absorption length (m)")
    scales = [f"0{longest:>{_BAR - 1}.0f}" for longest in longest_m]
    lines = [
        f"  {'depth (m)':12s}" + "  ".join(f"{title:{_BAR + 19}s}" for title in titles).rstrip(),
        f"  {'':12s}" + "  ".join(f"median 68 %         {scale}" for scale in scales),
    ]
    marks_used = set()
    for i, (top, bottom) in enumerate(zip(layers.edges_m, layers.edges_m[1:], strict=False)):
        marks = "!" * any(not lengths.converged[i] for lengths in both)
        marks += "p" * any(lengths.by_prior[i] for lengths in both)
        marks_used |= set(marks)
        cells = "  ".join(
            _cell(lengths, i, longest) for lengths, longest in zip(both, longest_m, strict=True)
        )
        lines.append(f"{marks:2s}{f'{top:.0f}-{bottom:.0f}':12s}{cells}".rstrip())
    lines.append("  o median, = 68 %, - 95 %")
    if "!" in marks_used:
        lines.append(
            f"! not converged: R-hat is not below {LARGEST_RHAT} or sample size not above {LEAST_ESS:.0f}"
        )
    if "p" in marks_used:
        lines.append(
            f"p prior and neighbours speak: counts give under {100 * LEAST_SHARE:.0f} % of the information"
        )
    return lines


def _cell(lengths: "Lengths", layer: int, longest_m: float) -> str:
    low95, low, middle, high, high95 = lengths.quantiles_m[:, layer]
    at = [round(float(q) / longest_m * (_BAR - 1)) for q in (low95, low, middle, high, high95)]
    picture = [" "] * _BAR
    for first, last, sign in ((at[0], at[4], "-"), (at[1], at[3], "="), (at[2], at[2], "o")):
        picture[first : last + 1] = sign * (last + 1 - first)
    decimals = 1 if high < 1000 else 0
    interval = f"{low:.{decimals}f}-{high:.{decimals}f}"
    return f"{middle:6.{decimals}f} {interval:12s} {''.join(picture)}"


def _provenance(result: "Result") -> list[str]:
    versions = result.attribute("versions")
    chains, draws = result.shape("posterior", "ln_pair_error")
    return textwrap.wrap(
        f"Schema {result.attribute('schema_version')}, iceopt {versions['iceopt']}, seed "
        f"{result.attribute('seed')}, {chains} x {draws} draws, started "
        f"{result.attribute('started_at')}, took {result.attribute('duration_s'):.0f} s.",
        WIDTH,
    )
