"""The shape of the package: one-way imports, small modules, a light start, and documents that hold."""

import ast
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
import typer.main

import iceopt
from iceopt.cli import app

REPO = Path(__file__).resolve().parents[1]
PACKAGE = REPO / "iceopt"
MODULES = sorted(PACKAGE.rglob("*.py"))

LINE = (
    "campaign", "ice", "light", "simulate", "fit", "result", "compare", "figures", "report", "plan", "batch",
    "commands",
)  # fmt: skip
"""Data flows along this line. `simulate` draws campaigns from light, so it lies behind light."""
SHARED = ("errors", "files", "hdf5", "threads", "abreast", "walk", "__init__")
"""Modules at the top of the package that anyone may import; they import none of the line."""
MOST_LINES = 400
HEAVY = {"numba", "scipy", "matplotlib", "emcee", "polars", "pandera", "arviz", "h5py", "numpy", "jinja2"}


def imported(path: Path) -> set[str]:
    """First name below `iceopt` of everything that a module of the package imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: a relative import"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return {name.split(".")[1] for name in names if name.startswith("iceopt.")} - {"__version__"}


def test_the_line_names_every_folder() -> None:
    folders = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    assert folders == set(LINE)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_nothing_imports_what_comes_after_it(path: Path) -> None:
    place = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    if place in LINE:
        allowed = {*SHARED, *LINE[: LINE.index(place) + 1]}
    elif place in SHARED:
        allowed = set(SHARED)
    else:  # cli and __main__
        allowed = {*SHARED, "commands", "cli"}
    assert imported(path) <= allowed


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_modules_are_small(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, *arguments], capture_output=True, text=True, check=False)


def test_help_loads_no_heavy_library() -> None:
    code = (
        "import sys, runpy\n"
        "sys.argv = ['iceopt', '--help']\n"
        "try:\n"
        "    runpy.run_module('iceopt', run_name='__main__')\n"
        "except SystemExit as end:\n"
        "    print('exit', end.code)\n"
        "print(*{name.split('.')[0] for name in sys.modules})\n"
    )
    *shown, end, modules = run("-c", code).stdout.splitlines()
    assert end == "exit 0"
    assert any("check" in line for line in shown)
    assert "typer" in modules.split()
    assert not HEAVY & set(modules.split())


def test_version() -> None:
    done = run("-m", "iceopt", "--version")
    assert done.returncode == 0
    assert done.stdout == f"iceopt {iceopt.__version__}\n"


COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_explains_itself(name: str) -> None:
    command = COMMANDS[name]
    assert command.help
    assert all(parameter.help for parameter in command.params), name


def commands_in(path: Path) -> list[str]:
    """Lines of a document's code blocks that call `iceopt`, a prompt or not before them."""
    text = path.read_text(encoding="utf-8")
    blocks = re.findall(r"^```\w*\n.*?^```|(?:^    [^\n]*\n)+", text, re.S | re.M)
    lines = "\n".join(blocks).replace("\\\n", " ").splitlines()
    stripped = [line.strip().removeprefix("$ ").split(" #")[0] for line in lines]
    return [line for line in stripped if re.match(r"iceopt [a-z-]", line)]


def documented() -> list[tuple[str, str]]:
    documents = [*REPO.glob("*.md"), *REPO.glob("docs/*.md"), *REPO.glob("sample_runs/**/*.md")]
    return sorted({(path.name, line) for path in documents for line in commands_in(path)})


def test_readme_shows_the_work_in_order() -> None:
    shown = [shlex.split(line)[1] for line in commands_in(REPO / "README.md")]
    first = {name: shown.index(name) for name in ("check", "fit", "show", "plot", "export")}
    assert sorted(first, key=first.__getitem__) == list(first)


@pytest.mark.parametrize(("document", "line"), documented())
def test_commands_in_documents_are_accepted(document: str, line: str) -> None:
    """Click parses the line, so an unknown command, option or choice, or a missing argument, fails."""
    _, *arguments = shlex.split(line)
    if arguments[0].startswith("--"):
        assert run("-m", "iceopt", *arguments).returncode == 0
        return
    name, *rest = arguments
    assert name in COMMANDS, f"{document}: {line}"
    COMMANDS[name].make_context(name, rest)


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_files_named_in_documents_exist(document: str) -> None:
    text = (REPO / document).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#:]+)\)", text)
    paths = re.findall(r"`((?:iceopt|scripts|sample_runs|tests|docs|\.ci)/[\w./-]*)`", text)
    assert links or paths
    assert [name for name in {*links, *paths} if not (REPO / name).exists()] == []
