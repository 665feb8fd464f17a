"""Keeps a server that runs for days from holding memory that it does not use any more.

Pictures of clips are large and short-lived. The C library of Linux keeps what they leave free, once
for each of many threads; told to map large blocks by themselves and to share two arenas, it gives
them back.
"""

import ctypes
import gc

# malloc.h of the GNU C library
M_MMAP_THRESHOLD, M_ARENA_MAX = -3, -8
LARGE_BYTES = 1 << 20  # a picture of 720 lines has three times as much
ARENAS = 2


def give_back_large_blocks() -> None:
    """Set it so for this process; nothing changes where the C library knows no such thing."""
    libc = ctypes.CDLL(None)
    if hasattr(libc, "mallopt"):
        libc.mallopt(M_MMAP_THRESHOLD, LARGE_BYTES)
        libc.mallopt(M_ARENA_MAX, ARENAS)


def give_back_free() -> None:
    """Give back what is free now."""
    gc.collect()
    libc = ctypes.CDLL(None)
    if hasattr(libc, "malloc_trim"):
        libc.malloc_trim(0)
