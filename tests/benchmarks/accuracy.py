"""How well smokecase measures: every figure of the accuracy page, from one command.

    python -m tests.benchmarks.accuracy --practice DIR --pathtraced DIR --real DIR --out examples

Without folders, the few clips and pairs that lie in the clone are measured. Further sets made by
`python -m smokecase.demo.sets` are read with `--set DIR`. Results are kept in the cache, one file
per clip, and used again until the measuring code changes; so a stopped run goes on.
"""

import argparse
import hashlib
import json
import sys
import time
from pathlib import Path

import cv2
from tests.benchmarks.accuracy_page import write_page
from tests.benchmarks.clip_scores import measure_clip
from tests.benchmarks.pair_scores import find_pairs, measure_path_traced
from tests.benchmarks.real_scores import real_tasks
from tests.benchmarks.truth_files import find_truths, read_truth

ROOT = Path(__file__).parents[2]
DATA = ROOT / "tests" / "data"
MEASURING = ("plume/*.py", "optics/*.py", "video/*.py", "examination.py", "refusal.py", "walk.py",
             "scene.py", "clear_view.py", "sample.py", "pair.py")  # fmt: skip
RECORD_VERSION = 2  # of what is kept; raise it when a record gets new fields


def code_fingerprint():
    """Fingerprint of the code that the figures depend on."""
    made = hashlib.sha256(str(RECORD_VERSION).encode())
    for pattern in MEASURING:
        for path in sorted((ROOT / "src" / "smokecase").glob(pattern)):
            made.update(path.read_bytes())
    return made.hexdigest()[:10]


class Cache:
    """Records on disk, one file per clip, in a folder per state of the code."""

    def __init__(self, folder, fingerprint):
        self.folder = folder / fingerprint

    def get(self, part, name, task):
        """Return a kept record, or make and keep it; a crash is a result too."""
        path = self.folder / part / f"{name.replace('/', '_').replace(' ', '_')}.json"
        if path.is_file():
            return json.loads(path.read_text())
        began = time.monotonic()
        try:
            record = task()
        except Exception as error:  # whatever it is, the page must show it
            record = {"crashed": f"{type(error).__name__}: {error}"}
        path.parent.mkdir(parents=True, exist_ok=True)
        aside = path.with_suffix(".part")
        aside.write_text(json.dumps({"clip": name} | record))
        aside.replace(path)
        told = record.get("crashed", "")
        sys.stderr.write(f"{part} {name}  {time.monotonic() - began:.0f} s  {told}\n")
        return json.loads(path.read_text())


def measure_folder(folder, part, cache, *, by_itself, most):
    """Records of the clips of a folder."""
    records = []
    for path in find_truths(folder)[:most]:
        truth = read_truth(path)
        records.append(
            cache.get(part, truth.name, lambda t=truth: measure_clip(t, by_itself=by_itself))
        )
    return records


def main(words=None):
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.accuracy",
                                     description=__doc__.splitlines()[0])  # fmt: skip
    parser.add_argument("--practice", type=Path, default=DATA / "practice",
                        help="clips with truth, named NAME.truth.json")  # fmt: skip
    parser.add_argument("--pathtraced", type=Path, default=DATA / "pathtraced",
                        help="path-traced pairs with index.json")  # fmt: skip
    parser.add_argument("--real", type=Path, help="real pictures and clips with MANIFEST.csv")
    parser.add_argument("--set", type=Path, action="append", default=[], dest="sets",
                        help="a set of rendered clips; may be named again")  # fmt: skip
    parser.add_argument("--set-clips", type=int, default=10**6, help="at most so many of each set")
    parser.add_argument("--set-given-only", action="store_true",
                        help="of the sets, leave out the runs without the pipe given")  # fmt: skip
    parser.add_argument("--note", default="", help="words for the page's head")
    parser.add_argument("--cache", type=Path, default=ROOT / "build" / "accuracy")
    parser.add_argument("--out", type=Path, default=ROOT / "examples")
    args = parser.parse_args(words)
    cv2.setNumThreads(1)
    fingerprint = code_fingerprint()
    cache = Cache(args.cache, fingerprint)
    parts = {"practice": measure_folder(args.practice, "practice", cache,
                                        by_itself=True, most=10**6)}  # fmt: skip
    pairs = [
        cache.get("pathtraced", e["id"], lambda e=e: measure_path_traced(args.pathtraced, e))
        for e in find_pairs(args.pathtraced)
    ]
    real = []
    if args.real is not None:
        work = cache.folder / "real_pictures"
        real = [cache.get("real", name, task) for name, task in real_tasks(args.real, work)]
    for folder in args.sets:
        parts[folder.name] = measure_folder(
            folder, folder.name, cache, by_itself=not args.set_given_only, most=args.set_clips
        )
    page = write_page(args.out, parts=parts, pairs=pairs, real=real, fingerprint=fingerprint,
                      note=args.note)  # fmt: skip
    sys.stdout.write(f"{page}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
