"""``python -m iceopt``."""

from iceopt.cli import main

main()
