"""`iceopt show`: a result on the terminal."""

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from iceopt.result.read import Result

WIDTH = 100


def show(result: Annotated[Path, typer.Argument(help="Result file of `iceopt fit`.")]) -> None:
    """Print a result: convergence first, then layers, what was left out, and the error's size."""
    from iceopt.result.read import Result

    with Result(result) as content:
        content.verify()
        for line in summary(content):
            typer.echo(line)


def summary(result: "Result") -> list[str]:
    """Lines of at most `WIDTH` characters that sum up a result."""
    import numpy as np

    pair, growth, profile = (
        float(np.median(result.draws(n))) for n in ("ln_pair_error", "pair_error_growth", "ln_profile_error")
    )
    states = result.values("constant_data", "module_state")
    left_out = [f"{s}: {np.sum(states == s)}" for s in sorted(set(states)) if s != "ok"]
    runs = result.values("constant_data", "run_state")
    weak = [f"{s}: {np.sum(runs == s)}" for s in sorted(set(runs)) if s != "ok"]
    model, own = result.attribute("light_model"), result.attribute("light_model_error")
    paragraphs = [
        f"{result.attribute('site')} {result.attribute('season')}, {result.attribute('wavelength_nm'):g} nm",
        result.verdict,
        f"Light model: {model}; its own error is put at {100 * own:.2g} %.",
        f"Fitted errors of the light model: {100 * np.exp(pair):.2g} % of a pair's charge at 100 m (x "
        f"distance^{growth:.1f}), and {100 * np.exp(profile):.2g} % of its time profile besides its own.",
        f"Modules left out: {', '.join(left_out) or 'none'}. Runs left out: {', '.join(weak) or 'none'}.",
    ]
    return [
        *(line for paragraph in paragraphs for line in textwrap.wrap(paragraph, WIDTH)),
        "",
        *_profile(result),
        "",
        *_provenance(result),
    ]


def _profile(result: "Result") -> list[str]:
    """One row a layer: depths, both lengths with 68 % intervals, and a bar of the scattering length."""
    import numpy as np

    at = [0.16, 0.5, 0.84]
    scattering, absorption = (result.quantiles(n, at) for n in ("scattering_length", "absorption_length"))
    top, bottom = (result.values("constant_data", n) for n in ("layer_top", "layer_bottom"))
    bar = 32
    scale = bar / max(scattering[2].max(), 1e-9)
    longest = f"{scattering[2].max():.1f} m"
    columns = f"{'median':>6}  {'68 %':13s}"
    lines = [
        f"    {'depth (m)':15s}{'scattering length (m)':23s}absorption length (m)",
        f"{'':19s}{columns}  {columns}  0 m{longest:>{bar - 2}s}",
    ]
    for i in range(top.size):
        low, middle, high = np.round(scattering[:, i] * scale).astype(int)
        picture = "".join("=" if low <= k <= high else "-" for k in range(max(high, middle) + 1))
        picture = picture[:middle] + "o" + picture[middle + 1 :]
        cells = "  ".join(
            f"{q[1]:6.1f}  {f'{q[0]:.1f}-{q[2]:.1f}':13s}" for q in (scattering[:, i], absorption[:, i])
        )
        lines.append(f"{top[i]:7.0f} - {bottom[i]:6.0f}   {cells}  {picture}"[:WIDTH])
    return lines


def _provenance(result: "Result") -> list[str]:
    versions = result.attribute("versions")
    chains, draws = result.shape("posterior", "ln_pair_error")
    return textwrap.wrap(
        f"Schema {result.attribute('schema_version')}, iceopt {versions['iceopt']}, seed "
        f"{result.attribute('seed')}, {chains} chains of {draws} draws, started "
        f"{result.attribute('started_at')}, took {result.attribute('duration_s'):.0f} s.",
        WIDTH,
    )
