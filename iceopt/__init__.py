"""Depth-layered optical properties of ice from in-situ LED flasher data.

Units throughout: metres, nanoseconds, nanometres; depth is positive down.
"""

import os
from importlib.metadata import version

# Kernels are called thousands of times a second. Threads that spin while they wait for the next call take the
# cores from whoever else is at work, other threads of the same fit among them. OpenMP reads this once, when a
# first kernel runs; who has set it otherwise keeps what he wants.
os.environ.setdefault("OMP_WAIT_POLICY", "passive")

__version__ = version("iceopt")
