"""Keeps the frames of a clip's first walk in a temporary file, so that no later one decodes.

Decoding and shrinking costs more than all measuring. The file has no name, lies in the
system's temporary folder and is gone with the program, however that ends. Where it would be too
large, or the disk is full, later walks decode again: the frames are the same.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import BinaryIO

import numpy as np

from smokecase.video.clip import Clip, Frame

MOST_BYTES = 8_000_000_000  # of the file; 190 s of a clip at 30 frames a second
LEFT_FREE = 3.0  # so many times its size must be free


@contextmanager
def spooled(clip: Clip) -> Iterator[Clip]:
    """Give the same clip, whose frames are decoded once where there is room for them.

    The first walk must run to its end for that; what it found out about the file is noted on the
    clip that is given.
    """
    width, height = clip.working_size
    size = clip.frame_count * width * height * 3 * np.dtype(np.uint16).itemsize
    free = shutil.disk_usage(tempfile.gettempdir()).free
    if clip.source != "clip" or size > min(MOST_BYTES, free / LEFT_FREE, _largest_file()):
        yield clip
        return
    with tempfile.TemporaryFile(buffering=0) as file:
        yield replace(clip, walk=_Spool(file, clip).walk)


def _largest_file() -> float:
    """Bytes that the system lets a file of this process have."""
    try:
        import resource  # not on every system
    except ImportError:
        return np.inf
    most = resource.getrlimit(resource.RLIMIT_FSIZE)[0]
    return np.inf if most == resource.RLIM_INFINITY else float(most)


class _Spool:
    """Frames of one walk, each as the bytes of its codes."""

    def __init__(self, file: BinaryIO, clip: Clip) -> None:
        self.file, self.decode, self.size = file, clip.walk, clip.working_size
        self.kept: list[tuple[int, float, tuple[int, ...]]] = []  # index, time, shape of codes
        self.from_s, self.to_s = np.inf, -np.inf  # the part of the clip that is kept whole

    def walk(self, clip: Clip, from_s: float, to_s: float, every: int) -> Iterator[Frame]:
        if clip.working_size != self.size:
            return self.decode(clip, from_s, to_s, every)
        if self.from_s <= from_s and to_s <= self.to_s:
            return self._kept(from_s, to_s, every)
        if not self.kept:
            return self._decoded(clip, from_s, to_s, every)
        return self.decode(clip, from_s, to_s, every)

    def _decoded(self, clip: Clip, from_s: float, to_s: float, every: int) -> Iterator[Frame]:
        writing = True
        for n, frame in enumerate(self.decode(clip, from_s, to_s, 1)):
            try:
                writing = writing and self.file.write(frame.codes.data) == frame.codes.nbytes
            except OSError:  # most often a full disk
                writing = False
            self.kept.append((frame.index, frame.time_s, frame.codes.shape))
            if n % every == 0:
                yield frame
        if writing:
            self.from_s, self.to_s = from_s, to_s
        else:
            self.file.truncate(0)

    def _kept(self, from_s: float, to_s: float, every: int) -> Iterator[Frame]:
        place, inside = 0, 0
        for index, time_s, shape in self.kept:
            codes = np.empty(shape, np.uint16)
            if from_s <= time_s <= to_s:
                if inside % every == 0:
                    os.preadv(self.file.fileno(), [codes.data], place)
                    yield Frame(index, time_s, codes)
                inside += 1
            place += codes.nbytes
