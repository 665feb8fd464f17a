"""What foreign code may do while it reads a file; run in the nursery's child by tests/apart."""

import os
import signal
import sys
import time
from pathlib import Path

import numpy as np


def prepare():
    """Nothing to load."""


def work(request, tell):
    return globals()[request["do"]](request, tell), {}


def look(request, tell):
    """Looks as the page's process does; a file's name tells what its decoder does instead."""
    from smokecase.apart.looks import look

    name = Path(request["path"]).name
    if name.startswith("kills"):
        crash(request, tell)
    if name.startswith("stalls"):
        time.sleep(3600)
    return look(request, tell)


def add(request, tell):
    tell(0.5, "adding")
    return {"sum": sum(request["numbers"])}


def crash(request, tell):
    os.kill(os.getpid(), signal.SIGSEGV)


def kill(request, tell):
    """Whatever is asked for, the decoder dies of it."""
    crash(request, tell)


def leave(request, tell):
    os._exit(3)


def eat(request, tell):
    return {"size": float(np.ones(request["bytes"], np.uint8).sum())}


def stall(request, tell):
    tell(0.1, str(os.getpid()))
    time.sleep(3600)


def talk_for_ever(request, tell):
    while True:
        tell(0.5, "still at it")


def write_a_file(request, tell):
    Path(request["out"]).write_bytes(bytes(2_000_000))


def chatter(request, tell):
    sys.stdout.write("a library's own words\n")
    sys.stdout.flush()
    return {"sum": 1}


def stumble(request, tell):
    return {}["missing"]


def blurt(request, tell):
    """Half a frame, then an end: what a killed child leaves in its pipe."""
    for handle in range(3, 16):
        try:
            os.write(handle, b"R\x00\x00\x10\x00abc")
        except OSError:
            continue
    os._exit(0)


def lie(request, tell):
    """A frame that announces more bytes than there is memory."""
    for handle in range(3, 16):
        try:
            os.write(handle, b"R\xff\xff\xff\xff")
        except OSError:
            continue
    os._exit(0)
