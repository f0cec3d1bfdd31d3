"""One function a figure, from a result."""
