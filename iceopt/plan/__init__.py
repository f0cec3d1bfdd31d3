"""Forecasts for a campaign that is not yet flashed, and which flashes to choose."""
