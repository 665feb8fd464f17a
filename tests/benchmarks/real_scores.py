"""Real clips, stills, sprites and haze pairs through `examine`; pictures are kept to be looked at.

Sprites are laid over photographs with their own alpha. In linear light that alpha is the true
opacity. In sRGB code values, as picture programs and the makers of the haze pairs do it, alpha is
only what the maker meant; what such a picture blocks in linear light is worked out pixel by pixel
from the colours that went into it, and that is the truth it is held against.

Some sprites are drawn with colour equal to alpha, which no smoke does (its veil does not darken
where it thins), so each is also laid over in one colour: pale, or dark as soot.
"""

import csv

import cv2
import numpy as np
from tests.benchmarks.pair_scores import score_pair

from smokecase.examination import examine
from smokecase.optics.light import to_linear, to_srgb8
from smokecase.report.folder import write_folder

SPRITE_SHARE = 0.6  # of the photograph's height
BRICK = "stills_clear/texture_brick.png"
TINTS = {"pale": 0.75, "dark": 0.03}  # linear light: mist by day; soot
TINT_COLOUR = {"pale": "white", "dark": "black"}


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
    photos = sorted(n for n in told if n.startswith("stills_clear/") and n != BRICK)
    sprites = sorted(n for n in told if n.startswith("alpha_sprites/"))
    for i, sprite in enumerate(sprites):
        photo = photos[i % len(photos)]
        for below, tint, light in (
            (BRICK, None, "linear"), (photo, None, "srgb"),
            (BRICK, "pale", "linear"), (photo, "pale", "linear"),
            (BRICK, "dark", "linear"), (photo, "dark", "linear"),
        ):  # fmt: skip
            name = f"{sprite} over {below.split('/')[1]}, {tint or 'as drawn'}, {light}"
            files = folder / sprite, folder / below
            tasks.append((name, _sprite(*files, (tint, light), told[sprite], work)))
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
        alpha = 1.0 - cv2.imread(str(map_file), cv2.IMREAD_GRAYSCALE) / 255.0
        seen, below, glow = (
            _linear(cv2.imread(str(p))[..., ::-1] / 255.0)
            for p in (path, clear, path.with_name("simulated_A.png"))
        )
        true = blocked_pct(seen, below, glow, alpha)
        return _pair("haze_pairs", row["colour"], (path, clear), (true, alpha), work)

    return task


def _sprite(sprite, photo, way, row, work):
    tint, light = way

    def task():
        codes, true, alpha = lay_over(sprite, photo, tint, light)
        folder = _named(work, "made")
        folder.mkdir(parents=True, exist_ok=True)
        stem = f"{sprite.stem}_{photo.stem}_{tint or 'as_drawn'}_{light}"
        smoke, clear = folder / f"{stem}.png", folder / f"{photo.stem}_clear.png"
        cv2.imwrite(str(smoke), codes[..., ::-1])
        cv2.imwrite(str(clear), cv2.imread(str(photo)))
        colour = TINT_COLOUR.get(tint, row["colour"])
        return _pair("alpha_sprites", colour, (smoke, clear), (true, alpha), work)

    return task


def _pair(sort, colour, files, truth, work):
    smoke, clear = files
    true, alpha = truth
    found = examine(smoke, plate=clear)
    write_folder(found, _named(work, smoke.stem), clip_path=smoke)
    return {"sort": sort, "truth": colour, "meant": float(100 * alpha[alpha > 0.02].mean())} | (
        score_pair(found, smoke, clear, true)
    )


def blocked_pct(seen, below, glow, alpha):
    """Opacity in linear light of a picture composed in code values. [%]

    Per pixel, `seen = T below + (1 - T) glow` solved for T over the channels by least squares;
    where what lies below has the smoke's colour it leaves T open, and alpha stands in.
    """
    away = np.sum((below - glow) ** 2, axis=-1)
    through = np.sum((seen - glow) * (below - glow), axis=-1) / np.maximum(away, 1e-9)
    solved = 100.0 * (1.0 - through)
    return np.where((away > 1e-3) & (alpha > 0.0), solved, 100.0 * alpha).astype(np.float32)


def lay_over(sprite, photo, tint, light):
    """Compose a sprite (straight alpha) over the middle of a photograph.

    Returns
    -------
    codes : ndarray of uint8, shape (h, w, 3)
        sRGB, red first.
    true_pct : ndarray, shape (h, w)
        Opacity in linear light. [%]
    alpha : ndarray, shape (h, w)
        The sprite's own, 0 to 1.
    """
    below = (cv2.imread(str(photo))[..., ::-1] / 255.0).astype(np.float32)
    h, w = below.shape[:2]
    drawn = cv2.imread(str(sprite), cv2.IMREAD_UNCHANGED).astype(np.float32) / 255.0
    colour, cover = drawn[..., 2::-1], drawn[..., 3:]
    if light == "linear":
        colour, below = _linear(colour), _linear(below)
    if tint is not None:
        colour = np.full_like(colour, TINTS[tint])
    # resized premultiplied, so that what lies under clear pixels does not bleed in
    share = SPRITE_SHARE * h / drawn.shape[0]
    size = (round(drawn.shape[1] * share), round(drawn.shape[0] * share))
    top, left = (h - size[1]) // 2, (w - size[0]) // 2
    alpha, glow = np.zeros((h, w), np.float32), np.zeros_like(below)
    cut = (slice(top, top + size[1]), slice(left, left + size[0]))
    alpha[cut] = cv2.resize(cover, size, interpolation=cv2.INTER_AREA)
    glow[cut] = cv2.resize(colour * cover, size, interpolation=cv2.INTER_AREA)
    made = below * (1.0 - alpha[..., None]) + glow
    if light == "linear":
        return to_srgb8(made), 100.0 * alpha, alpha
    codes = np.round(255.0 * np.clip(made, 0, 1)).astype(np.uint8)
    colour = np.clip(glow / np.maximum(alpha, 1e-3)[..., None], 0, 1)
    true = blocked_pct(_linear(made), _linear(below), _linear(colour), alpha)
    return codes, true, alpha


def _linear(codes):
    return to_linear(np.round(65535 * np.clip(codes, 0, 1)).astype(np.uint16), "srgb")
