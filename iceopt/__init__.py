"""Depth-layered optical properties of ice from in-situ LED flasher data.

Units throughout: metres, nanoseconds, nanometres; depth is positive down.
"""

from importlib.metadata import version

__version__ = version("iceopt")
