"""The other side: a process that has everything loaded and lets one child do each piece of work.

``python -m smokecase.apart.nursery MODULE:FUNCTION`` reads requests from its input and answers on
its output. Every request gets a fresh child with limits of memory and file size; the child writes
to a pipe of its own, so that one that dies in mid-word spoils nothing. If the caller dies, the
input ends, and so does all this.
"""

import ctypes
import importlib
import json
import os
import resource
import select
import signal
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from smokecase.apart.wire import Arrays, Frames, frame, pack
from smokecase.errors import SmokecaseError

Tell = Callable[[float, str], None]
Task = Callable[[dict[str, Any], Tell], tuple[dict[str, Any], Arrays]]

OUT_OF_MEMORY = 77  # exit status of a child that met its limit and could not even say so
BLOCK = 1 << 16


def main() -> None:
    """Serve until the input ends."""
    answers = os.dup(1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)  # what a library prints must not get between the frames
    module, _, name = sys.argv[1].partition(":")
    room = importlib.import_module(module)
    room.prepare()  # once here, not once in every child
    task: Task = getattr(room, name)
    _send(answers, frame(b"H", b""))
    frames = Frames()
    while block := os.read(0, BLOCK):
        for _, content in frames.add(block):
            _serve(task, json.loads(content), answers)


def _serve(task: Task, request: dict[str, Any], answers: int) -> None:
    own, childs = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(own)
        os.close(answers)
        _work(task, request, childs)
    os.close(childs)
    try:
        while True:
            ready, _, _ = select.select([own, 0], [], [])
            if own in ready:
                block = os.read(own, BLOCK)
                if not block:
                    break
                _send(answers, frame(b"C", block))
            elif not os.read(0, 1):  # the caller is gone; it sends nothing while it waits
                os.kill(child, signal.SIGKILL)
                os._exit(0)
        _, status = os.waitpid(child, 0)
    finally:
        os.close(own)
    _send(answers, frame(b"D", str(os.waitstatus_to_exitcode(status)).encode()))


def _work(task: Task, request: dict[str, Any], out: int) -> None:
    """Do one piece of work in the child, which ends here."""
    status = 0
    try:
        _die_with_parent()
        _limit(request["memory_bytes"], request["longest_s"], request["writes_bytes"])

        def tell(share: float, words: str) -> None:
            _send(out, frame(b"P", json.dumps([share, words]).encode()))

        _send(out, frame(b"R", pack(*task(request["request"], tell))))
    except BaseException as error:  # all of it, also what no one thought of, becomes an answer
        try:
            said = _in_words(error, request["request"])
            _send(out, frame(b"E", json.dumps(said).encode()))
        except BaseException:
            status = OUT_OF_MEMORY if isinstance(error, MemoryError) else 1
    os._exit(status)


def _die_with_parent() -> None:
    """Have the system end this child when the nursery ends (Linux, prctl(2))."""
    if sys.platform.startswith("linux"):
        pdeathsig = 1  # linux/prctl.h
        ctypes.CDLL(None).prctl(pdeathsig, signal.SIGKILL)


def _limit(memory_bytes: int, longest_s: int, writes_bytes: int) -> None:
    """Bound memory beyond what is loaded, processor time, files written and core dumps."""
    loaded = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    space = loaded + memory_bytes
    resource.setrlimit(resource.RLIMIT_AS, (space, space))
    # four threads of a decoder may work at once; the caller watches the clock on the wall
    resource.setrlimit(resource.RLIMIT_CPU, (4 * longest_s, 4 * longest_s))
    resource.setrlimit(resource.RLIMIT_FSIZE, (writes_bytes, writes_bytes))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _in_words(error: BaseException, request: dict[str, Any]) -> dict[str, str]:
    if isinstance(error, SmokecaseError):
        return {"kind": type(error).__name__, "what": error.what, "where": error.where,
                "remedy": error.remedy}  # fmt: skip
    if isinstance(error, MemoryError) or "nsufficient memory" in str(error):
        return {"kind": "memory"}
    if isinstance(error, ValueError) and str(error).partition(" ")[0] in request:
        return {"kind": "ValueError", "what": str(error)}  # an argument that was refused by name
    last = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{type(error).__name__}, {Path(last.filename).name} line {last.lineno}"
    return {"kind": "inside", "what": f"{place}: {error}"[:500]}


def _send(to: int, content: bytes) -> None:
    view = memoryview(content)
    while view:
        view = view[os.write(to, view) :]


if __name__ == "__main__":
    main()
