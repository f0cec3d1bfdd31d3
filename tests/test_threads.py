"""How many threads: `--threads` over ICEOPT_THREADS over the cores that this process may use."""

import os
import subprocess
import sys

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from iceopt.errors import InputError
from iceopt.threads import VARIABLE, set_threads

CHANGED = (
    VARIABLE,
    "NUMBA_NUM_THREADS",
    "POLARS_MAX_THREADS",
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)


@pytest.fixture(autouse=True)
def environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Give every test an environment of its own."""
    monkeypatch.setattr(os, "environ", {k: v for k, v in os.environ.items() if k not in CHANGED})


def test_request_comes_first(monkeypatch: pytest.MonkeyPatch) -> None:
    os.environ[VARIABLE] = "3"
    assert set_threads(5) == 5
    assert os.environ["NUMBA_NUM_THREADS"] == os.environ[VARIABLE] == "5"


def test_variable_comes_next() -> None:
    os.environ[VARIABLE] = "3"
    assert set_threads() == 3
    assert os.environ["NUMBA_NUM_THREADS"] == "3"


def test_else_all_cores_of_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 2, 5}, raising=False)
    assert set_threads() == 3


def test_a_platform_without_affinity_counts_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "sched_getaffinity", raising=False)
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert set_threads() == 1


def test_blas_gets_one_thread() -> None:
    os.environ["OMP_NUM_THREADS"] = "8"
    set_threads(4)
    assert {os.environ[name] for name in CHANGED[3:]} == {"1"}


@given(
    st.one_of(
        st.integers(max_value=0).map(str), st.text().filter(lambda t: "\0" not in t and not t.isdecimal())
    )
)
@example("\N{SUPERSCRIPT TWO}")
def test_anything_else_is_refused_in_one_sentence(text: str) -> None:
    os.environ.clear()
    os.environ[VARIABLE] = text
    with pytest.raises(InputError, match="number of threads"):
        set_threads()
    assert os.environ == {VARIABLE: text}


def test_command_line_refuses_no_threads() -> None:
    command = [sys.executable, "-m", "iceopt", "--threads", "0", "show", "none.h5"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr == ("iceopt: the number of threads is '0'; expected a whole number of at least 1\n")


def test_numba_obeys() -> None:
    """Numba itself says how many threads it would start."""
    code = "from iceopt.threads import set_threads; set_threads(2); from numba import config; "
    code += "print(config.NUMBA_NUM_THREADS)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stdout.strip() == "2", done.stderr


@pytest.mark.parametrize(("wanted", "found"), [(None, "PASSIVE"), ("active", "ACTIVE")])
def test_openmp_itself_says_how_its_threads_wait(wanted: str | None, found: str) -> None:
    """Passively, unless the user wants otherwise; OMP_DISPLAY_ENV is of OpenMP 4.0."""
    code = (
        "import iceopt, numpy, numba\n"
        "kernel = numba.njit(parallel=True)(lambda x: x + 1.0)\n"
        "kernel(numpy.ones(9))\n"
        "print(numba.threading_layer())\n"
    )
    environment = {k: v for k, v in os.environ.items() if k != "OMP_WAIT_POLICY"} | {
        "OMP_DISPLAY_ENV": "TRUE"
    }
    if wanted:
        environment["OMP_WAIT_POLICY"] = wanted
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment
    )
    if done.stdout.strip() != "omp":
        pytest.skip("numba runs its threads without OpenMP here")
    assert f"OMP_WAIT_POLICY = '{found}'" in done.stderr
