"""Takes in what a browser sent: only from the upload folder, only what opens as what we measure."""

from dataclasses import dataclass
from pathlib import Path

from smokecase.errors import ClipError
from smokecase.video.clip import open_clip
from smokecase.video.sound_track import read_sound
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


def receive(sent: str | Path, shop: Shop) -> Received:
    """Check one uploaded file by where it lies and what it holds; its name decides nothing.

    Parameters
    ----------
    sent : str or Path
        Where the page's framework says that it put the upload.
    shop : Shop

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
        clip = open_clip(real)
    except ClipError as error:
        sound = _sound_only(real)
        if sound is None:
            raise _with_own_name(error, path.name) from error
        return Received(real, path.name, "sound", sound, size)
    return Received(real, path.name, clip.source, clip.sha256, size)


def _sound_only(path: Path) -> str | None:
    """Fingerprint of a sound file; None where no sound can be decoded."""
    from smokecase.model_files import fingerprint

    try:
        sound = read_sound(path)
    except ClipError:
        return None
    return fingerprint(path) if sound is not None and len(sound.samples) else None


def _with_own_name(error: ClipError, name: str) -> ClipError:
    return ClipError(error.what, where=name, remedy=error.remedy)
