"""Simulated campaigns: from a scenario to the raw tables, by photon tracking."""
