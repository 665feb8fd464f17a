"""Every error that smokecase raises on purpose.

::

    SmokecaseError           what is wrong, where, what to do; has an exit code
    |-- ClipError        3   a clip, picture or sound that cannot be read
    |   `-- DecoderError     its decoder died, in a process of its own
    |-- WriteError       4   a place that cannot be written
    |-- KnowledgeError   5   a knowledge file that contradicts itself
    |-- AnswersError     5   an answers file, answer or check result that cannot be used
    |-- ModelError       5   a model file that is missing or was changed
    |-- CaseError        6   a case or package that is missing, locked or damaged
    |-- SchedulerError   7   a scheduler of many machines that cannot be used
    `-- Cancelled      130   the user stopped the work; nothing half-written is left

A command exits with 0 when the work was done, with 2 when its words were wrong.
"""


def printable(text: str) -> str:
    r"""Show what a screen would obey instead of showing it: a file's name can hold anything.

    >>> printable("start\x1b[2J.mp4")
    'start\\x1b[2J.mp4'
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def on_screen(text: str) -> str:
    r"""Show several lines in which names and notes of other people stand, as `printable` does.

    >>> on_screen("start\x1b[2J.mp4\n12\u00a0%")
    'start\\x1b[2J.mp4\n12\xa0%'
    """
    return "".join(c if c in "\n\t\u00a0\u202f" else printable(c) for c in text)


class SmokecaseError(Exception):
    """One sentence for the user: where, what is wrong, what to do.

    Parameters
    ----------
    what : str
        What is wrong, with the value that was found. No full stop.
    where : str
        The file, line or field it concerns.
    remedy : str
        What the user can do about it. No full stop.
    """

    exit_code = 1

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        super().__init__(what)
        self.what, self.where, self.remedy = what, where, remedy

    def __str__(self) -> str:
        head = f"{self.where}: " if self.where else ""
        tail = f"; {self.remedy}" if self.remedy else ""
        return printable(f"{head}{self.what}{tail}.")


class ClipError(SmokecaseError):
    """A clip, picture or sound cannot be read."""

    exit_code = 3


class DecoderError(ClipError):
    """The decoder died on it; tried again it may live, where the machine was short of memory."""


class WriteError(SmokecaseError):
    """Something could not be written."""

    exit_code = 4


class KnowledgeError(SmokecaseError):
    """A knowledge file contradicts itself."""

    exit_code = 5


class AnswersError(SmokecaseError):
    """An answer or a check result cannot be used."""

    exit_code = 5


class ModelError(SmokecaseError):
    """A model file is missing or is not the one that was published."""

    exit_code = 5


class CaseError(SmokecaseError):
    """A case or an evidence package is missing, locked or damaged."""

    exit_code = 6


class SchedulerError(SmokecaseError):
    """The scheduler of a batch cannot be reached, or its workers do not fit."""

    exit_code = 7


class Cancelled(SmokecaseError):
    """The user stopped the work."""

    exit_code = 130

    def __init__(self) -> None:
        super().__init__("stopped at your request, nothing was left half-written")
