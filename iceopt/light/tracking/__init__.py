"""Photon-tracking Monte Carlo through horizontal layers: the project's own referee and simulator."""
