"""Makes a clip watchable: the original where browsers can play it, a copy in H.264 where not."""

import contextlib
import uuid
from collections.abc import Callable
from pathlib import Path

from smokecase.apart.looks import copy_apart
from smokecase.errors import WriteError
from smokecase.video.playable import plays_in_browsers
from smokecase.web.shop import Shop

Tell = Callable[[float, str], None]


def make_watchable(path: Path, sha256: str, shop: Shop, *, tell: Tell | None = None) -> str:
    """Make sure that a clip can be watched in a browser, and say at which address.

    Parameters
    ----------
    path : Path
        The original, which is not changed.
    sha256 : str
        Its fingerprint.
    shop : Shop
    tell : callable, optional
        Called with progress (0 to 1) and words while a copy is made; may raise `Cancelled`.

    Returns
    -------
    str
        Address on this server, for a player.

    Raises
    ------
    ClipError
        If the clip cannot be read.
    WriteError
        If the copy cannot be written.
    """
    address = f"/clip/{sha256}"
    if find_watchable(sha256, shop) is not None:
        return address
    aside = shop.watch / f"{uuid.uuid4().hex}.partial"
    try:
        if plays_in_browsers(path):
            aside.symlink_to(path.resolve())
        else:
            copy_apart(path, aside, tell=tell)
        aside.replace(shop.watch / f"{sha256}.mp4")
    except OSError as error:
        what = f"the copy to watch cannot be written ({(error.strerror or str(error)).lower()})"
        raise WriteError(what, where=path.name, remedy="free some space") from error
    finally:
        with contextlib.suppress(FileNotFoundError):
            aside.unlink()
    return address


def find_watchable(sha256: str, shop: Shop) -> Path | None:
    """File to play for a fingerprint; None where there is none, or it has to be made first."""
    path = shop.watch / f"{sha256}.mp4"
    if path.is_file():
        return path
    with contextlib.suppress(OSError):  # the upload was cleared away, the case holds the original
        path.unlink()
    for original in sorted((shop.cases / "clips").glob(f"{sha256}.*")):
        if not original.name.endswith(".partial") and plays_in_browsers(original):
            return original
    return None
