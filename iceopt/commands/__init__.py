"""One module a command: arguments in, one call, files out. Heavy imports stay inside the functions."""
