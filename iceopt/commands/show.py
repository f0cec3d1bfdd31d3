"""`iceopt show`: a result on the terminal."""

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
        for line in summary(content):
            typer.echo(line)


def summary(result: "Result") -> list[str]:
    """Lines of at most `WIDTH` characters that sum up a result."""
    import textwrap

    import numpy as np

    wrapped = textwrap.wrap(result.verdict, WIDTH)
    pair, growth, profile = (
        float(np.median(result.draws(n))) for n in ("ln_pair_error", "pair_error_growth", "ln_profile_error")
    )
    states = result.values("constant_data", "module_state")
    left_out = [f"{s}: {np.sum(states == s)}" for s in sorted(set(states)) if s != "ok"]
    runs = result.values("constant_data", "run_state")
    weak = [f"{s}: {np.sum(runs == s)}" for s in sorted(set(runs)) if s != "ok"]
    model, own = result.attribute("light_model"), result.attribute("light_model_error")
    return [
        f"{result.attribute('site')} {result.attribute('season')}, {result.attribute('wavelength_nm'):g} nm",
        *wrapped,
        *textwrap.wrap(f"Light model: {model}; its own error is put at {100 * own:.2g} %.", WIDTH),
        f"Fitted errors of the light model: {100 * np.exp(pair):.2g} % of a pair's charge at 100 m "
        f"(x distance^{growth:.1f}),",
        f"and {100 * np.exp(profile):.2g} % of its time profile besides its own.",
        f"Modules left out: {', '.join(left_out) or 'none'}. Runs left out: {', '.join(weak) or 'none'}.",
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
    bar = 34
    scale = bar / max(scattering[2].max(), 1e-9)
    lines = [
        "    depth (m)        scattering length (m)  absorption length (m)",
        f"                     median  68 %           median  68 %            0 m{'':{bar - 10}}"
        f"{scattering[2].max():5.1f} m",
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
    return [
        f"Schema {result.attribute('schema_version')}, iceopt {versions['iceopt']}, seed "
        f"{result.attribute('seed')}, {chains} chains of {draws} draws, started "
        f"{result.attribute('started_at')},",
        f"took {result.attribute('duration_s'):.0f} s.",
    ]
