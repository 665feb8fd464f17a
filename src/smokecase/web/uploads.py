"""Takes in what a browser sent: only from the upload folder, only what opens as what we measure."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from smokecase.errors import ClipError
from smokecase.web.shop import Shop

# a minute of a phone's finest film is about 0.6 GB (common practice, no source)
LARGEST_BYTES = 2 * 1024**3
MOST_FILES = 12  # at once


@dataclass(frozen=True, slots=True)
class Received:
    """A file that came in and can be measured or heard."""

    path: Path  # inside the upload folder, byte for byte as it was sent
    name: str  # the file's own name, without folders
    kind: str  # clip, still, animation, sound
    sha256: str
    size_bytes: int


def receive(
    sent: str | Path, shop: Shop, *, what_is: Callable[[Path], tuple[str, str]]
) -> Received:
    """Check one uploaded file by where it lies and what it holds; its name decides nothing.

    Parameters
    ----------
    sent : str or Path
        Where the page's framework says that it put the upload.
    shop : Shop
    what_is : callable
        Tells what a file holds and its SHA-256, as `first_look.what_is` does.

    Raises
    ------
    ClipError
        If it lies anywhere else, is too large, or is neither clip nor picture nor sound.
    """
    path = Path(sent)
    real = path.resolve()
    if not real.is_relative_to(shop.uploads.resolve()) or path.is_symlink() or not real.is_file():
        what = "this file did not come from the browser"
        raise ClipError(what, where=path.name, remedy="choose the clip on the page again")
    size = real.stat().st_size
    if size > LARGEST_BYTES:
        what = f"the file has {size / 1e9:.1f} GB, the page takes {LARGEST_BYTES / 1e9:.1f} GB"
        raise ClipError(
            what, where=path.name, remedy="cut it to the minute around the start of the engine"
        )
    try:
        kind, sha256 = what_is(real)
    except ClipError as error:
        raise ClipError(error.what, where=path.name, remedy=error.remedy) from error
    return Received(real, path.name, kind, sha256, size)
