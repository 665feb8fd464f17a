"""Hands work to a process of its own and turns every way it can end into one sentence.

A decoder is a large piece of foreign code that reads files from anywhere. Whatever it does on
one file (dies, hangs, eats memory), only that file is lost.
"""

import json
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

from smokecase import errors
from smokecase.apart.wire import Arrays, Frames, frame, unpack
from smokecase.errors import ClipError, DecoderError, SmokecaseError

Tell = Callable[[float, str], None]

BEGIN_S = 120.0  # loading everything takes seconds; on a busy machine more
BLOCK = 1 << 16
OTHER_FORM = "convert it to H.264 of 1080 lines or less and try again"
# one thread each: many of these work side by side, and fewer arenas mean less space held
ENVIRONMENT = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}
RAISED = {
    kind.__name__: kind for kind in vars(errors).values()
    if isinstance(kind, type) and issubclass(kind, SmokecaseError) and kind is not errors.Cancelled
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What one file may take before it is given up."""

    memory_mb: float = 2000.0  # beyond the loaded program; 4K with sound needs well under half
    stalled_s: float = 180.0  # without a word of progress
    longest_s: float = 7200.0  # altogether, on the clock on the wall
    writes_mb: float = 3200.0  # longest file that it may write; 75 s of frames are kept in one

    def __post_init__(self) -> None:
        for name in ("memory_mb", "stalled_s", "longest_s"):
            if not getattr(self, name) > 0:
                msg = f"{name} must be above zero (got {getattr(self, name)})"
                raise ValueError(msg)


class Nursery:
    """One process that does one piece of work after another; begun on first use.

    Parameters
    ----------
    task : str
        ``module:function`` of ours; takes a request of plain values and `tell`, gives plain
        values and arrays.
    """

    def __init__(self, task: str, limits: Limits | None = None) -> None:
        self.task, self.limits = task, limits or Limits()
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def begin(self, *, where: str) -> None:
        """Begin the process now, so that the first piece of work need not wait for it.

        Raises
        ------
        DecoderError
            If it could not begin.
        """
        self._begun(where)

    def run(
        self, request: Mapping[str, Any], *, where: str, tell: Tell | None = None
    ) -> tuple[dict[str, Any], Arrays]:
        """Do one piece of work.

        Parameters
        ----------
        request : mapping
            Plain values.
        where : str
            What the sentence of an error begins with: the file's name.
        tell : callable, optional
            Called with progress (0 to 1) and words; may raise `Cancelled`.

        Raises
        ------
        SmokecaseError
            That of the work; or a `ClipError` where it died, stalled or met a limit.
        ValueError
            If the work refused an argument.
        """
        told = tell or (lambda share, words: None)
        process = self._begun(where)
        limits = self.limits
        asked = {"request": dict(request), "memory_bytes": int(limits.memory_mb * 1e6),
                 "longest_s": max(1, int(limits.longest_s)),
                 "writes_bytes": int(limits.writes_mb * 1e6)}  # fmt: skip
        try:
            assert process.stdin is not None
            process.stdin.write(frame(b"Q", json.dumps(asked).encode()))
            process.stdin.flush()
            return self._wait(process, where, told)
        except BrokenPipeError:
            self._end()
            raise _died(where, "the process ended") from None
        except BaseException:
            if self._process is not None and not self._idle:
                self._end()  # the child works on something that nobody waits for any more
            raise

    def close(self) -> None:
        """End the process, whatever it does."""
        self._end()

    def kill(self) -> None:
        """End the process from another thread; the one that waits for it gets an error."""
        process = self._process
        if process is not None and process.poll() is None:
            with suppress(ProcessLookupError, PermissionError):
                os.killpg(process.pid, signal.SIGKILL)

    # -- inside -----------------------------------------------------------------------------
    _idle = True

    def _begun(self, where: str) -> "subprocess.Popen[bytes]":
        if self._process is not None and self._process.poll() is None:
            return self._process
        self._end()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "smokecase.apart.nursery", self.task],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            env=os.environ | ENVIRONMENT, start_new_session=True,
        )  # fmt: skip
        for kind, _ in self._frames(self._process, BEGIN_S, BEGIN_S):
            if kind == b"H":
                return self._process
        self._end()
        raise _died(where, "the process for it could not begin")

    def _wait(
        self, process: "subprocess.Popen[bytes]", where: str, told: Tell
    ) -> tuple[dict[str, Any], Arrays]:
        said = Frames()
        answer: tuple[bytes, bytes] | None = None
        self._idle = False
        for kind, content in self._frames(process, self.limits.stalled_s, self.limits.longest_s):
            if kind == b"late":
                self._end()
                raise ClipError(content.decode(), where=where, remedy=OTHER_FORM)
            if kind == b"D":
                self._idle = True
                return _judge(answer, int(content), where, self.limits)
            try:
                for inner, words in said.add(content):
                    if inner == b"P":
                        share, text = json.loads(words)
                        told(min(1.0, max(0.0, float(share))), str(text)[:200])
                    else:
                        answer = (inner, words)
            except (ValueError, TypeError, RecursionError):
                self._end()
                raise _died(where, "its answer is out of form") from None
        code = process.wait()
        self._end()
        raise _died(where, _ending(code))

    def _frames(
        self, process: "subprocess.Popen[bytes]", stalled_s: float, longest_s: float
    ) -> Iterator[tuple[bytes, bytes]]:
        """Frames as they come; ends with the process, or with one of kind ``late``."""
        assert process.stdout is not None
        out = process.stdout.fileno()
        frames = Frames()
        begun = time.monotonic()
        while True:
            left = min(stalled_s, begun + longest_s - time.monotonic())
            ready, _, _ = select.select([out], [], [], max(0.0, left))
            if not ready:
                stalled = left >= stalled_s
                why = (
                    f"nothing moved for {stalled_s:.0f} s while it was read" if stalled
                    else f"it was not done after {longest_s:.0f} s"
                )  # fmt: skip
                yield b"late", why.encode()
                return
            block = os.read(out, BLOCK)
            if not block:
                return
            yield from frames.add(block)

    def _end(self) -> None:
        process, self._process, self._idle = self._process, None, True
        if process is None:
            return
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)  # the child too
        for pipe in (process.stdin, process.stdout):
            with suppress(OSError):
                if pipe is not None:
                    pipe.close()
        process.wait()


def _judge(
    answer: tuple[bytes, bytes] | None, code: int, where: str, limits: Limits
) -> tuple[dict[str, Any], Arrays]:
    if answer is None:
        raise _too_much(where, limits) if code == 77 else _died(where, _ending(code))
    kind, content = answer
    if kind == b"R":
        try:
            return unpack(content)
        except ValueError:
            raise _died(where, "its answer is out of form") from None
    try:
        said = {str(k): str(v) for k, v in json.loads(content).items()}
    except (ValueError, AttributeError, RecursionError):
        raise _died(where, "its answer is out of form") from None
    if said["kind"] in RAISED:
        kind_of = RAISED[said["kind"]]
        raise kind_of(said["what"], where=said["where"], remedy=said["remedy"])
    if said["kind"] == "ValueError":
        raise ValueError(said["what"])
    if said["kind"] == "memory":
        raise _too_much(where, limits)
    what = f"measuring it failed inside smokecase ({said['what']})"
    raise ClipError(what, where=where, remedy="tell the makers, with the clip if you may")


def _too_much(where: str, limits: Limits) -> ClipError:
    what = f"reading it would take more than {limits.memory_mb:.0f} MB of memory"
    return ClipError(what, where=where, remedy=OTHER_FORM)


def _died(where: str, how: str) -> DecoderError:
    return DecoderError(f"the decoder broke down on it ({how})", where=where, remedy=OTHER_FORM)


def _ending(code: int) -> str:
    if code < 0:
        try:
            return f"signal {-code}, {signal.Signals(-code).name}"
        except ValueError:
            return f"signal {-code}"
    return f"exit status {code}"
