"""Compiling ahead: only what is not yet on the disk, and what a fit calls."""

import os
import subprocess
import sys

import pytest

from iceopt.light.moments import adjoint, ahead, carried, jacobian, sweep


def test_nothing_is_started_where_all_is_compiled():
    ahead.compile_now()
    assert ahead.compile_ahead() is None


def test_what_is_compiled_is_what_fits_call():
    """Real rates: one array a matrix, where time bins have complex ones."""
    ahead.compile_now()
    for kernel in (sweep.transform_one, carried._move, jacobian.slopes_of_one, adjoint.pull_back_one):
        assert any("float64" in str(signature) for signature in kernel.signatures)


@pytest.mark.slow
def test_an_empty_cache_is_filled_by_another_process(tmp_path):
    code = (
        "from iceopt.light.moments import ahead\n"
        "started = ahead.compile_ahead()\n"
        "assert started is not None and started.wait() == 0\n"
        "assert ahead.compile_ahead() is None\n"
    )
    environment = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path)}
    subprocess.run([sys.executable, "-c", code], env=environment, check=True, timeout=600)
