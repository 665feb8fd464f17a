"""``smokecase batch``: measures many clips, on this machine's cores or on many machines."""

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from smokecase.commands.progress import show_progress

EXAMPLES = """
examples:
  smokecase batch yard --out survey
      measure every clip below the folder yard; survey/clips.html says which to look at first
  smokecase batch yard --out survey --manifest yard/engines.csv
      the same, with what is known of each engine
  smokecase batch --out survey --manifest engines.csv --column clip=file --column note=owner
      clips and their facts from a table with column names of your own
  smokecase batch yard --out survey --scheduler tcp://127.0.0.1:8786
      the same on the workers of a Dask scheduler that is running

Stopped or killed at any moment, the same command goes on where it was: what is done is kept and
not done again. A clip that cannot be measured is set aside with its reason; the others go on.

"""
LINE_S = 60.0  # how often a line is written where no one watches a bar


def add(parser: argparse.ArgumentParser) -> None:
    """Name the words of the command."""
    parser.epilog = EXAMPLES
    parser.add_argument(
        "place", metavar="PLACE", nargs="*",
        help="a folder, clip, pattern, or url that fsspec knows, such as s3://bucket/yard",
    )  # fmt: skip
    parser.add_argument("--out", metavar="DIR", required=True, help="folder of the results")
    parser.add_argument(
        "--manifest", metavar="FILE", help="what is known of each clip: .csv, .parquet or .toml"
    )
    parser.add_argument(
        "--column", metavar="OURS=YOURS", type=_column, action="append", default=[],
        help="your own name of a column of the manifest; note=YOURS carries one along",
    )  # fmt: skip
    parser.add_argument(
        "--scheduler", metavar="ADDRESS", help="a Dask scheduler; without it, this machine's cores"
    )
    parser.add_argument(
        "--workers", metavar="N", type=_above_zero, default=0,
        help="clips at once on this machine (as many as it has cores unless told)",
    )  # fmt: skip
    parser.add_argument(
        "--memory", metavar="MB", type=_above_zero, default=2000,
        help="memory that one clip may take (2000 unless told)",
    )  # fmt: skip
    parser.add_argument(
        "--minutes", metavar="MIN", type=_above_zero, default=120,
        help="time that one clip may take (120 unless told)",
    )  # fmt: skip
    parser.add_argument("--retry", action="store_true", help="try again what was set aside")
    parser.set_defaults(parser=parser)


def run(args: argparse.Namespace) -> int:
    """Measure, write tables and page, and say how many."""
    if not args.place and not args.manifest:
        args.parser.error("name a place with clips, or a manifest")
    if args.scheduler and args.workers:
        args.parser.error("--workers is for this machine; a scheduler's workers are started there")
    from smokecase.apart.caller import Limits
    from smokecase.batch.engines import Cluster, Cores, Engine
    from smokecase.batch.run import run_batch

    limits = Limits(memory_mb=args.memory, longest_s=60.0 * args.minutes)
    engine: Engine = (
        Cluster(args.scheduler, limits)
        if args.scheduler
        else Cores(args.workers or os.cpu_count() or 1, limits)
    )
    with _progress() as tell:
        batch = run_batch(
            args.place, args.out, manifest=args.manifest, columns=args.column, engine=engine,
            retry=args.retry, tell=tell,
        )  # fmt: skip
    sys.stdout.write(f"{batch}\nWritten to {batch.folder}; open clips.html.\n")
    return 0


@contextmanager
def _progress() -> Iterator[Callable[[float, str], None]]:
    """Show a bar on a screen, and now and then a line where there is none."""
    if sys.stderr.isatty():
        with show_progress("looking for the clips") as tell:
            yield tell
        return
    last_s = [time.monotonic()]

    def tell_line(share: float, words: str) -> None:
        if time.monotonic() - last_s[0] >= LINE_S:
            last_s[0] = time.monotonic()
            sys.stderr.write(f"{100 * share:.0f} %: {words}\n")
            sys.stderr.flush()

    yield tell_line


def _column(text: str) -> tuple[str, str]:
    ours, sign, theirs = text.partition("=")
    if not (ours and sign and theirs):
        msg = f"a pair was expected, such as clip=file (got {text!r})"
        raise argparse.ArgumentTypeError(msg)
    return ours, theirs


def _above_zero(text: str) -> int:
    try:
        value = int(text)
    except ValueError:
        value = 0
    if value <= 0:
        msg = f"a whole number above zero was expected (got {text!r})"
        raise argparse.ArgumentTypeError(msg)
    return value
