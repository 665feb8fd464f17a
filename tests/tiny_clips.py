"""Tiny rendered clips for tests: a second or two at 320 x 180, made on the fly.

``tiny_clip(folder, seed, smoke="black", scene="board", ...)`` gives the clip's path and its
truth. The words are the fields of `smokecase.demo.wish.Wish`.
"""

import cv2

from smokecase.demo.render import render
from smokecase.demo.wish import Wish

# a camera that changes nothing: the picture is the scene's light by the sRGB curve
PLAIN_CAMERA = {
    "stops": -0.5, "ae": 0.0, "awb": 0.0, "wb_error": (1.0, 1.0, 1.0), "vignette": 0.0,
    "stray": 0.0, "shot": 0.0, "read": 0.0, "denoise": 0.0, "denoise_chroma": 0.0,
    "denoise_time": 0.0, "saturation": 1.0, "shoulder": 0.0, "s_curve": 0.0, "lift": 0.0,
    "curve": "srgb", "local": 0.0, "sharpen": 0.0,
}  # fmt: skip
LOSSLESS = {"codec": "libx264", "crf": 0, "bit_rate": None, "matrix": "bt601",
            "full_range": True, "tagged": True, "rotation_deg": 0, "depth": 8,
            "transfer": "bt709"}  # fmt: skip
# an engine that starts early, so that a clip of two seconds shows smoke
EARLY = {"crank_s": 0.4, "start_s": 0.7}


def tiny_clip(folder, seed, *, seconds=2.0, size=(320, 180), **words):
    """Render, with threads as few as the machine is small; returns (path, truth)."""
    cv2.setNumThreads(1)
    words = {"hold": "tripod", "trouble": "nothing", "nuisances": (), "light": "overcast",
             "phone": "plain", "engine": EARLY} | words  # fmt: skip
    truth = render(seed, folder, size=size, seconds=seconds, wish=Wish(**words))
    return folder / truth["file"], truth
