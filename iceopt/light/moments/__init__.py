"""Layered P_N transport in Hankel x Laplace space: one light model with one number, its order."""
