"""Opens a file of `models/` and tells its fingerprint.

The wheel carries the files as `smokecase/_models`; an editable install has no such folder,
so the one beside `src` is used.
"""

import hashlib
from pathlib import Path

from smokecase.errors import ModelError


def find_model(name: str) -> Path:
    """Path of a model file.

    Raises
    ------
    ModelError
        If the file is in neither place.
    """
    here = Path(__file__).resolve().parent
    for folder in (here / "_models", here.parents[1] / "models"):
        path = folder / name
        if path.is_file():
            return path
    what = "this model file is missing"
    raise ModelError(what, where=name, remedy="install smokecase again")


def fingerprint(path: Path) -> str:
    """SHA-256 of a file, as hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
