"""The result file: write, read, export."""
