"""Real clips, stills, sprites and haze pairs through `examine`; pictures are kept to be looked at.

Sprites are laid over the photographs with their own alpha, which is then the true opacity: in
linear light, where that is physics, and in sRGB code values, as picture programs do it, where
alpha is only what the maker meant.
"""

import csv

import cv2
import numpy as np
from tests.benchmarks.pair_scores import measure_pair

from smokecase.examination import examine
from smokecase.optics.light import to_linear, to_srgb8
from smokecase.report.folder import write_folder

SPRITE_SHARE = 0.6  # of the photograph's height


def real_tasks(folder, work):
    """Name and task of every real input; a task writes pictures to `work` and gives scores."""
    rows = list(csv.DictReader((folder / "MANIFEST.csv").open(encoding="utf-8")))
    told = {row["file"]: row for row in rows}
    tasks = []
    for name, row in told.items():
        if row["kind"] in {"clips", "clips_clear", "stills_smoke", "stills_clear"}:
            tasks.append((name, _alone(folder / name, row, work)))
    original = folder / "haze_pairs" / "simulated_Original.png"
    for i in (1, 2):
        name = f"haze_pairs/simulated_I_tx{i}.png"
        map_file = folder / "haze_pairs" / f"simulated_tx_map_{i}.png"
        tasks.append((name, _haze(folder / name, original, map_file, told[name], work)))
    photos = sorted(n for n in told if n.startswith("stills_clear/") and "brick" not in n)
    sprites = sorted(n for n in told if n.startswith("alpha_sprites/"))
    for i, sprite in enumerate(sprites):
        for photo in ("stills_clear/texture_brick.png", photos[i % len(photos)]):
            for light in ("linear", "srgb"):
                name = f"{sprite} over {photo.split('/')[1]}, {light}"
                tasks.append(
                    (name, _sprite(folder / sprite, folder / photo, light, told[sprite], work))
                )
    return tasks


def _named(work, *words):
    return work / "_".join(w.replace("/", "_").replace(".", "_") for w in words)


def _alone(path, row, work):
    def task():
        found = examine(path)
        write_folder(found, _named(work, path.name), clip_path=path)
        plain = found.to_json()
        opacity = found.trace.opacity_pct
        keep = ("refused", "exit_px", "diameter_px", "timing", "colour", "colour_open",
                "colour_word", "lighting", "doubts")  # fmt: skip
        answered = np.isfinite(opacity)
        return (
            {"sort": row["kind"], "visible": row["visible"], "truth": row["colour"]}
            | {k: plain[k] for k in keep}
            | {
                "frames": found.frames,
                "answered": float(answered.mean()),
                "mean_pct": float(opacity[answered].mean()) if answered.any() else None,
            }
        )

    return task


def _haze(path, clear, map_file, row, work):
    def task():
        through = cv2.imread(str(map_file), cv2.IMREAD_GRAYSCALE) / 255.0
        return _pair("haze_pairs", row, path, clear, 100.0 * (1.0 - through), work, path.stem)

    return task


def _sprite(sprite, photo, light, row, work):
    def task():
        codes, alpha = lay_over(sprite, photo, light)
        folder = _named(work, "made")
        folder.mkdir(parents=True, exist_ok=True)
        stem = f"{sprite.stem}_{photo.stem}_{light}"
        smoke, clear = folder / f"{stem}_smoke.png", folder / f"{photo.stem}_clear.png"
        cv2.imwrite(str(smoke), codes[..., ::-1])
        cv2.imwrite(str(clear), cv2.imread(str(photo)))
        return _pair("alpha_sprites", row, smoke, clear, 100.0 * alpha, work, stem)

    return task


def _pair(sort, row, smoke, clear, true_pct, work, stem):
    write_folder(examine(smoke, plate=clear), _named(work, stem), clip_path=smoke)
    scores = measure_pair(smoke, clear, true_pct)
    return {"sort": sort, "visible": row["visible"], "truth": row["colour"]} | scores


def lay_over(sprite, photo, light):
    """Compose a sprite (straight alpha) over the middle of a photograph.

    Returns
    -------
    codes : ndarray of uint8, shape (h, w, 3)
        sRGB, red first.
    alpha : ndarray, shape (h, w)
        True opacity, 0 to 1.
    """
    below = cv2.imread(str(photo))[..., ::-1]
    h, w = below.shape[:2]
    over = cv2.imread(str(sprite), cv2.IMREAD_UNCHANGED).astype(np.float32)
    over = np.dstack([over[..., 2::-1], over[..., 3]]) / 255.0
    colour, alpha = over[..., :3], over[..., 3:]
    if light == "linear":
        colour, base = _linear(colour), _linear(below / 255.0)
    else:
        base = (below / 255.0).astype(np.float32)
    # resized premultiplied, so that what lies under clear pixels does not bleed in
    share = SPRITE_SHARE * h / over.shape[0]
    size = (round(over.shape[1] * share), round(over.shape[0] * share))
    glow = cv2.resize(colour * alpha, size, interpolation=cv2.INTER_AREA)
    cover = cv2.resize(alpha, size, interpolation=cv2.INTER_AREA)
    top, left = (h - size[1]) // 2, (w - size[0]) // 2
    full = np.zeros((h, w), np.float32)
    full[top : top + size[1], left : left + size[0]] = cover
    made = base * (1.0 - full[..., None])
    made[top : top + size[1], left : left + size[0]] += glow
    if light == "linear":
        return to_srgb8(made), full
    return np.round(255.0 * np.clip(made, 0, 1)).astype(np.uint8), full


def _linear(codes):
    return to_linear(np.round(65535 * codes).astype(np.uint16), "srgb")
