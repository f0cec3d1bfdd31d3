"""The command line: arguments in, one call, files out. Each command lives in `iceopt.commands`."""

import sys
from typing import Annotated

import typer

from iceopt import __version__
from iceopt.commands.batch import batch
from iceopt.commands.check import check
from iceopt.commands.compare import compare
from iceopt.commands.convert import convert
from iceopt.commands.crossvalidate import crossvalidate
from iceopt.commands.doctor import doctor
from iceopt.commands.export import export
from iceopt.commands.fit import fit
from iceopt.commands.merge import merge
from iceopt.commands.plan import plan
from iceopt.commands.plot import plot
from iceopt.commands.predict import predict
from iceopt.commands.report import report
from iceopt.commands.show import show
from iceopt.commands.simulate import simulate
from iceopt.errors import DiskError, IceoptError
from iceopt.threads import VARIABLE, set_threads

app = typer.Typer(
    name="iceopt",
    help="Optical-ice calibration from in-situ LED flasher data.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def _print_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"iceopt {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    threads: Annotated[
        int | None, typer.Option(help=f"Threads of the kernels (default: {VARIABLE}, else all cores).")
    ] = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    set_threads(threads)


# One line a command, in the order of the work.
app.command()(check)
app.command()(convert)
app.command()(fit)
app.command()(crossvalidate)
app.command()(merge)
app.command()(show)
app.command()(plot)
app.command()(report)
app.command()(export)
app.command()(compare)
app.command()(predict)
app.command()(simulate)
app.command()(plan)
app.command()(batch)
app.command()(doctor)


def main() -> None:
    """Run the command line; errors of the user's input and of the disk become one sentence."""
    try:
        app()
    except IceoptError as error:
        typer.echo(f"iceopt: {error}", err=True)
        sys.exit(error.exit_code)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        typer.echo(f"iceopt: {where}{error.strerror or error}", err=True)
        sys.exit(DiskError.exit_code)
