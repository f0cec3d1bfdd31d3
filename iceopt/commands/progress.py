"""Progress of long work on stderr: a bar on a terminal, a line every tenth elsewhere."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def progress(what: str) -> Iterator[Callable[[float], None]]:
    """Show the fraction done that is given to the callable within."""
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    if console.is_terminal:
        with Progress(console=console, transient=True) as bar:
            task = bar.add_task(what, total=1.0)
            yield lambda done: bar.update(task, completed=done)
        return
    last = 0

    def line(done: float) -> None:
        nonlocal last
        if int(done * 10) > last:
            last = int(done * 10)
            console.print(f"{what}: {last * 10} %", highlight=False)

    yield line
