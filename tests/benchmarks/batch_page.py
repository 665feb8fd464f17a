"""Makes the page of a batch over thousands of invented rows, to be looked at: run by hand.

python tests/benchmarks/batch_page.py OUT.html [rows]
"""

import sys
import time
from pathlib import Path

import numpy as np

from smokecase.report.batch_page import BatchPage, to_thumbnail

WHY = ("the smoke has nearly the colour of what lies behind it", "the picture is too even",
       "the end of the tailpipe was not found")  # fmt: skip
FAMILIES = ("burnt oil", "too much fuel", "coolant in a cylinder", "nothing is wrong")


def invented_rows(count, seed=20260512):
    """Rows as a batch writes them: a third without smoke, some refused, few set aside."""
    rng = np.random.default_rng(seed)
    for n in range(count):
        name = f"yard_{n // 100:02}/start_{n:05}.mp4"
        row = {"clip": name.rpartition("/")[2], "url": f"/survey/{name}", "key": str(n),
               "state": "done", "notes": None}  # fmt: skip
        chance = rng.random()
        if chance < 0.01:
            reason = f"{row['clip']}: the decoder broke down on it (signal 11, SIGSEGV); cut it."
            yield row | {"state": "set_aside", "reason": reason}
            continue
        black, blue, white = rng.dirichlet([0.4, 0.2, 0.4])
        smoke = chance < 0.7
        peak = float(rng.beta(1.2, 3) * 100) if smoke and chance > 0.1 else None
        half = float(rng.uniform(3, 14))
        row |= {
            "peak_pct": peak, "peak_low_pct": peak and peak - half,
            "peak_high_pct": peak and peak + half,
            "refused": str(rng.choice(WHY)) if chance < 0.1 else None,
            "visible_share": float(rng.beta(2, 3)) if smoke else 0.0,
            "longest_visible_s": float(rng.gamma(2, 8)) if smoke else 0.0,
            "black": black, "blue": blue, "white": white, "colour_open": bool(rng.random() < 0.1),
            "colour_word": ("black", "blue", "white")[int(np.argmax([black, blue, white]))],
            "weak_cylinder": float(rng.beta(0.5, 3)), "hunting": float(rng.beta(0.4, 4)),
            "doubts": "exit_uncertain no_sound" if rng.random() < 0.3 else "",
            "family_title": str(rng.choice(FAMILIES)), "family_weight": 0.55, "family_low": 0.4,
            "family_high": 0.68,
            "stop_signs": "Coolant may be in a cylinder: turning the engine can break it."
            if rng.random() < 0.002 else "",
        }  # fmt: skip
        yield row


def invented_picture(key):
    rng = np.random.default_rng(int(key))
    picture = np.full((180, 320, 3), 110, np.uint8)
    picture[90:] = 80
    y, x = np.mgrid[:180, :320]
    cloud = np.exp(-(((x - 180) / 60) ** 2 + ((y - 90) / 30) ** 2))[..., None]
    return to_thumbnail(np.uint8(picture * (1 - cloud) + rng.integers(20, 230) * cloud))


def main(out, count=5000):
    begun = time.monotonic()
    page = BatchPage(picture_of=invented_picture)
    for row in invented_rows(int(count)):
        page.add(row)
    text = page.to_html()
    Path(out).write_text(text, encoding="utf-8")
    took = time.monotonic() - begun
    sys.stdout.write(f"{count} rows, {len(text) / 1e6:.1f} MB, {took:.1f} s\n")


if __name__ == "__main__":
    main(*sys.argv[1:])
