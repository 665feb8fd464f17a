"""Figures of the backdrop on invented scenes: finding, opacity, k. Run by hand.

    python tests/benchmarks/backdrop_figures.py [scenes] [--first SEED] [--seconds S]

The scenes come from `tests/board_scene.py`, which shares nothing with what measures; path-traced
checker pairs are read too where the folder is given with --pathtraced.
"""

import argparse
import json
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from board_scene import decode, hang, print_sheet, smooth_noise
from smokecase.measured import Measured
from smokecase.optics.contrast import FieldFitter
from smokecase.optics.opacity import measured_coefficient
from smokecase.plume.backdrop import backdrop_from_sheets
from smokecase.plume.backdrop_reading import SectionByContrast
from smokecase.plume.board import find_sheets
from smokecase.report.backdrop import write_backdrop

KINDS = {  # spectral slope and veil of white
    "soot": (1.0, (0.02, 0.10)),
    "oil": (2.0, (0.4, 0.8)),
    "mist": (0.0, (0.7, 1.1)),
    "grey": (0.7, (0.15, 0.5)),
}


def squeeze(codes, quality=90):
    """What a video coder leaves of a picture."""
    flags = [cv2.IMWRITE_JPEG_QUALITY, quality]
    return cv2.imdecode(cv2.imencode(".jpg", codes[..., ::-1], flags)[1], 1)[..., ::-1]


def working(codes, scale):
    """Linear light at working size."""
    size = (round(codes.shape[1] * scale), round(codes.shape[0] * scale))
    small = cv2.resize(codes.astype(np.float32) / 255, size, interpolation=cv2.INTER_AREA)
    return decode(small).astype(np.float32)


def one_scene(sheet, seed, *, scale=0.5):
    """Rows of (kind, truth, opacity, u, centre truth, centre T, u) of one yard."""
    rng = np.random.default_rng(seed)
    yard = hang(
        sheet, rng, s_curve=rng.uniform(0, 0.25), blur_px=rng.uniform(0.5, 1.2),
        shot=rng.uniform(0.5e-4, 3e-4), wrinkle_mm=rng.uniform(0, 1.0),
        shade=rng.uniform(-0.4, 0.4),
    )  # fmt: skip
    clear = [squeeze(yard.expose()) for _ in range(6)]
    plate = np.mean([working(c, scale) for c in clear], axis=0)
    sheets = find_sheets(clear[0])
    if not sheets:
        return None
    board = backdrop_from_sheets(
        [s.scaled(scale) for s in sheets], plate, np.zeros(plate.shape[:2], bool)
    )
    side = 1.1 * yard.diameter_px
    x, y = yard.exit_px[0] + 0.95 * yard.diameter_px, yard.exit_px[1]
    box = np.array([x - side / 2, y - side / 2, x + side / 2, y + side / 2]) + 0.5
    along = np.linspace(0.4, 1.5, 23) * yard.diameter_px
    line = ((yard.exit_px[0] + along) * scale, np.full(23, yard.exit_px[1] * scale))
    reader = SectionByContrast(plate, board, tuple(box * scale), line)
    edge = np.round(box).astype(int)
    far = np.ones(plate.shape[:2], bool)
    far[:, int(0.8 * box[0] * scale) :] = False
    rows = []
    for peak in (0.0, 0.08, 0.2, 0.4, 0.6, 0.8, 0.9):
        kind = str(rng.choice(list(KINDS)))
        slope, veils = KINDS[kind]
        through, veil = yard.plume(peak, slope=slope, veil=rng.uniform(*veils) * 0.75)
        codes = squeeze(yard.expose(through, veil, gain=rng.uniform(0.95, 1.05)))
        light = working(codes, scale)
        gain = light[far].mean(axis=0) / plate[far].mean(axis=0)
        got = reader.read(
            (light / gain).astype(np.float32), np.hypot(0.003, 0.12 * np.abs(np.log(gain)))
        )
        green = through[..., 1]
        truth = green[edge[1] : edge[3], edge[0] : edge[2]].mean()
        xs = (yard.exit_px[0] + along).astype(int)
        centre = green[int(yard.exit_px[1]), xs].mean()
        rows.append(
            (kind, truth, got.transmittance[1], got.u_transmittance[1],
             centre, got.centre[1], got.u_centre[1])
        )  # fmt: skip
    return rows


def half_smoked(sheet, seed, tries=4):
    """Share of pictures in which the sheet is found behind 60 % over half of it."""
    rng = np.random.default_rng(seed)
    yard = hang(sheet, rng, blur_px=rng.uniform(0.5, 1.2), wrinkle_mm=rng.uniform(0, 1.0))
    h, w = yard.plate.shape[:2]
    mm = np.array([sheet.shape[1], sheet.shape[0]]) * 25.4 / 100 / 2
    middle = yard.homography @ [*mm, 1]
    middle = middle[:2] / middle[2]
    y, x = np.mgrid[0:h, 0:w]
    found = []
    for _ in range(tries):
        angle = rng.uniform(0, 2 * np.pi)
        ramp = (x - middle[0]) * np.cos(angle) + (y - middle[1]) * np.sin(angle)
        mottle = np.clip(1 + 0.05 * smooth_noise(rng, (h, w), 20), 0, 1)
        through = 1 - 0.6 * np.clip(ramp / 30 + 0.5, 0, 1) * mottle
        seen = find_sheets(squeeze(yard.expose(through[..., None], rng.uniform(0.02, 0.8)), 80))
        right = [s for s in seen if np.linalg.norm(s.to_picture(mm)[0] - middle) < 4]
        found.append(bool(right) and len(seen) == 1)
    return found


def path_traced(folder):
    """Errors of section opacity (percent) on the path-traced checker pairs, and over their doubt.

    No camera took these pictures, so the doubt is the fit's own, without what registration and
    coding add to every reading of a clip.
    """
    errors, scores = [], []
    for i, entry in enumerate(json.loads((folder / "index.json").read_text())):
        if entry["backdrop"] != "checker":
            continue
        z = np.load(folder / f"pt{i:02d}.npz")
        clear, smoke, truth = (z[k] / 65535.0 for k in ("clear", "smoke", "T"))
        for side in (20, 28):
            for x0 in range(45, 190, 12):
                column = 1 - truth[:, x0 : x0 + side, 1].mean(axis=1)
                if column.max() < 0.05:
                    continue
                y0 = max(0, int((column * np.arange(160)).sum() / column.sum()) - side // 2)
                top, left = max(0, y0 - side // 2), max(26, x0 - side // 2)
                cut = (slice(top, y0 + side + side // 2), slice(left, x0 + side + side // 2))
                weights = np.zeros((1, *clear[cut].shape[:2]))
                weights[0, y0 - top : y0 - top + side, x0 - left : x0 - left + side] = 1
                for c in range(3):
                    fitter = FieldFitter(
                        clear[cut][..., c], usable=np.ones(weights.shape[1:], bool),
                        weights=weights, spacing_px=side / 3, block_px=side / 4,
                    )  # fmt: skip
                    white = clear.max()
                    fit = fitter.fit(smoke[cut][..., c], veil_prior=(0.3 * white, white))
                    right = (truth[cut][..., c] * weights[0]).sum() / weights.sum()
                    errors.append(100 * (fit.means[0] - right))
                    scores.append(abs(fit.means[0] - right) / fit.u_means[0])
    return np.array(errors), np.array(scores)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("scenes", nargs="?", type=int, default=25)
    parser.add_argument("--first", type=int, default=0, metavar="SEED")
    parser.add_argument("--seconds", type=float, default=float("inf"), metavar="S",
                        help="begin no further scene after that time")  # fmt: skip
    parser.add_argument("--pathtraced", type=Path)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "board.pdf"
        write_backdrop(path)
        sheet = print_sheet(path)
    rows, missed, found, scenes = [], 0, [], 0
    start = time.monotonic()
    for seed in range(args.first, args.first + args.scenes):
        if time.monotonic() - start > args.seconds:
            break
        scenes += 1
        got = one_scene(sheet, seed)
        if got is None:
            missed += 1
            continue
        rows += got
        found += half_smoked(sheet, 1_000_000 + seed)
    say = sys.stdout.write
    kinds = np.array([r[0] for r in rows])
    truth, t, u, centre, t_c, u_c = np.array([r[1:] for r in rows]).T
    error, ok = 100 * (truth - t), np.isfinite(t)
    inside = np.abs(truth - t)[ok] < 1.96 * u[ok]
    say(f"sheet found without smoke: {scenes - missed} of {scenes} (seeds from {args.first})\n")
    say(f"found behind 60 % over half: {100 * np.mean(found):.1f} % of {len(found)}\n")
    say(f"readings: {ok.sum()} of {len(ok)}; opacity error: mean absolute "
        f"{np.abs(error[ok]).mean():.2f} %, mean {error[ok].mean():.2f} %, "
        f"worst {np.abs(error[ok]).max():.2f} %; "
        f"interval holds {100 * inside.mean():.1f} %\n")  # fmt: skip
    for kind in KINDS:
        pick = ok & (kinds == kind)
        say(f"  {kind}: {np.abs(error[pick]).mean():.2f} % of {pick.sum()}, "
            f"holds {100 * np.mean(np.abs(truth - t)[pick] < 1.96 * u[pick]):.0f} %\n")  # fmt: skip
    for low, high in ((-0.1, 0.05), (0.05, 0.3), (0.3, 0.6), (0.6, 0.95)):
        pick = ok & (1 - truth >= low) & (1 - truth < high)
        say(f"  opacity {low:.2f} to {high:.2f}: {np.abs(error[pick]).mean():.2f} % of "
            f"{pick.sum()}, mean {error[pick].mean():.2f} %, u {100 * u[pick].mean():.2f} %, "
            f"holds {100 * np.mean(np.abs(truth - t)[pick] < 1.96 * u[pick]):.0f} %\n")  # fmt: skip
    k_errors, k_inside = [], []
    rng = np.random.default_rng(1)
    for i in np.nonzero(ok & (centre < 0.8) & (centre > 0.1))[0]:
        length = 0.1
        k = measured_coefficient(
            Measured(value=t_c[i], u=u_c[i], unit="1"),
            Measured(value=length * (1 + rng.normal(0, 0.025)), u=0.025 * length, unit="m"),
        )
        if k is None:
            continue
        right = -np.log(centre[i]) / length
        k_errors.append(abs(k.value / right - 1))
        k_inside.append(k.low <= right <= k.high)
    say(f"k at 20 to 90 % on the centre line: error mean {100 * np.mean(k_errors):.1f} %, "
        f"95th percentile {100 * np.percentile(k_errors, 95):.1f} %, "
        f"within 12 %: {100 * np.mean(np.array(k_errors) < 0.12):.0f} %, "
        f"interval holds {100 * np.mean(k_inside):.1f} % of {len(k_errors)}\n")  # fmt: skip
    if args.pathtraced:
        errors, scores = path_traced(args.pathtraced)
        say(f"path-traced checkers: mean absolute {np.abs(errors).mean():.2f} %, worst "
            f"{np.abs(errors).max():.2f} %, holds {100 * np.mean(scores < 1.96):.0f} % "
            f"of {len(errors)} overlapping squares\n")  # fmt: skip


if __name__ == "__main__":
    main()
