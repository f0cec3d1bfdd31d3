"""The command line: arguments in, one call, files out. Each command lives in `iceopt.commands`."""
