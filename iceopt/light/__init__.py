"""From ice and geometry to expected photoelectron counts: pure numerical kernels, no files."""
