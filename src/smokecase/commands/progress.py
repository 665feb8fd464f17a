"""A bar with the time left, for commands that take more than two seconds."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

Tell = Callable[[float, str], None]


@contextmanager
def show_progress(first_words: str = "reading the clip") -> Iterator[Tell]:
    """Show a bar on the screen; say nothing where no one is watching."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(
        *columns, console=console, transient=True, disable=not console.is_terminal
    ) as bar:
        task = bar.add_task(first_words, total=1.0)
        yield lambda share, words: bar.update(task, completed=share, description=words)


def part_of(tell: Tell, begin: float, end: float) -> Tell:
    """Give a `tell` whose whole way is a part of another's."""
    return lambda share, words: tell(begin + (end - begin) * share, words)
