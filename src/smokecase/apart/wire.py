"""How a process that nobody trusts answers: frames of plain bytes, JSON and bare arrays.

Nothing that arrives is ever run: no pickle, no object but numbers, words and arrays of a few named
types, each checked against the bytes that came.
"""

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

HEAD = 5  # one letter and the length, four bytes
MOST_BYTES = 1 << 29  # of one answer: an hour at 240 pictures a second is a quarter of it
DTYPES = ("float64", "float32", "int32", "uint8", "bool")

Arrays = dict[str, NDArray[Any]]


def frame(kind: bytes, content: bytes) -> bytes:
    """Put one letter and the length before the content."""
    return kind + len(content).to_bytes(4, "big") + content


class Frames:
    """Takes bytes as they come and gives whole frames."""

    def __init__(self) -> None:
        self._held = bytearray()

    def add(self, content: bytes) -> list[tuple[bytes, bytes]]:
        """Whole frames so far, letter and content.

        Raises
        ------
        ValueError
            If a frame would be longer than `MOST_BYTES`.
        """
        self._held += content
        whole = []
        while len(self._held) >= HEAD:
            length = int.from_bytes(self._held[1:HEAD], "big")
            if length > MOST_BYTES:
                msg = f"an answer must have at most {MOST_BYTES} bytes (got {length})"
                raise ValueError(msg)
            if len(self._held) < HEAD + length:
                break
            whole.append((bytes(self._held[:1]), bytes(self._held[HEAD : HEAD + length])))
            del self._held[: HEAD + length]
        return whole


def pack(plain: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """Lay plain values and arrays in one row of bytes."""
    listed = [[name, a.dtype.name, list(a.shape)] for name, a in arrays.items()]
    head = json.dumps({"plain": plain, "arrays": listed}).encode()
    body = b"".join(np.ascontiguousarray(a).tobytes() for a in arrays.values())
    return len(head).to_bytes(4, "big") + head + body


def unpack(content: bytes) -> tuple[dict[str, Any], Arrays]:
    """Undo `pack`.

    Raises
    ------
    ValueError
        If the bytes do not hold what they announce.
    """
    at = 4 + int.from_bytes(content[:4], "big")
    try:
        head = json.loads(content[4:at])
        plain, listed = dict(head["plain"]), list(head["arrays"])
        arrays: Arrays = {}
        for name, dtype, shape in listed:
            if dtype not in DTYPES or not all(isinstance(n, int) and n >= 0 for n in shape):
                msg = f"array {name!r} has a form that is not allowed"
                raise ValueError(msg)
            count = 1
            for n in shape:
                count *= n
            end = at + count * np.dtype(dtype).itemsize
            if end > len(content):
                msg = f"array {name!r} is cut off"
                raise ValueError(msg)
            flat = np.frombuffer(content, dtype, count=count, offset=at)
            arrays[str(name)] = flat.reshape(shape).copy()
            at = end
    except (KeyError, TypeError, IndexError, RecursionError) as error:
        msg = f"the answer is not in its form ({error})"
        raise ValueError(msg) from error
    return plain, arrays
