"""The errors that users see: one clear sentence each, never a traceback."""

NOT_CONVERGED = 3
"""Exit code of a fit that ran but did not converge: no error, but nothing final either."""


class IceoptError(Exception):
    """Base of all errors that the command line reports as one sentence, with its exit code."""

    exit_code = 1


class InputError(IceoptError):
    """A file or a value from the user is not as expected.

    The message names the file, the row and the column where there are any, says what was found and what
    was expected, and how to mend it.
    """


class DomainError(IceoptError, ValueError):
    """An argument of a public function lies outside what the function is defined for."""


class DiskError(IceoptError):
    """A file of iceopt's own is damaged, or cannot be written: the same input may do elsewhere or later."""

    exit_code = 74
    """EX_IOERR of sysexits.h."""


class Stopped(IceoptError):
    """A fit was told to stop; its progress is on disk, and it can go on."""

    exit_code = 75
    """EX_TEMPFAIL of sysexits.h: try again later."""
