"""`smokecase page`: opens the local page, for the yard and the office."""

import argparse
from pathlib import Path

from smokecase.languages import LANGUAGES


def add(parser: argparse.ArgumentParser) -> None:
    """Name the words of the command."""
    parser.add_argument(
        "--cases", metavar="DIR", type=Path, default=Path("cases"),
        help="folder of the cases (default: cases)",
    )  # fmt: skip
    parser.add_argument(
        "--port", metavar="N", type=int, default=8477,
        help="port to listen on (8477 unless told; 0 takes a free one)",
    )  # fmt: skip
    parser.add_argument(
        "--open-to-network", action="store_true",
        help="let phones of the local network in, with a one-time code",
    )  # fmt: skip
    parser.add_argument(
        "--language", choices=sorted(LANGUAGES),
        help="language of the page (what the browser asks for unless told)",
    )  # fmt: skip
    parser.add_argument(
        "--no-browser", action="store_true",
        help="do not open the page in this machine's browser",
    )  # fmt: skip
    parser.add_argument(
        "--request-log", metavar="FILE", type=Path, help="write every request to this file"
    )
    parser.epilog = (
        "The page is for this machine alone, unless it is opened to the local network.\n"
        "Nothing is sent anywhere. Stop it with Ctrl-C."
    )


def run(args: argparse.Namespace) -> int:
    """Serve the page until it is stopped."""
    from smokecase.web.door import serve

    return serve(
        cases=args.cases, port=args.port, network=args.open_to_network, language=args.language,
        open_browser=not args.no_browser, log=args.request_log,
    )  # fmt: skip
