"""The command: finds the words' own file, calls it, and turns errors into one sentence.

A command lives in `smokecase/commands/NAME.py` with two functions: ``add(parser)`` names its
words, ``run(args)`` does the work and returns an exit code. It is loaded only when called, so
that help stays quick.
"""

import argparse
import sys
from importlib import import_module

from smokecase.errors import Cancelled, SmokecaseError

# every command with its one line of help, in the order of the work
COMMANDS = {
    "examine": "measure the smoke in a clip, or in a pair of pictures",
    "listen": "hear cranking time, speed and evenness, alone or beside a healthy engine",
    "diagnose": "weigh the causes from examinations, answers and check results",
    "knowledge": "look up causes, questions and checks, and where their numbers come from",
    "case": "keep the story of one engine: clips, answers, checks, comparisons, reports",
    "batch": "measure many clips, on this machine's cores or on many machines",
    "backdrop": "make a sheet of patches to print and hang behind the plume",
    "selfcheck": "check a set-up with the backdrop before the engine runs",
    "coefficient": "smoke per metre from an examination and the plume's depth (indicative)",
    "words": "list the texts that a language still lacks, for those who translate",
    "page": "open the local page, for the yard and the office",
    "demo": "show the whole journey on an invented clip",
}

EXIT_CODES = """exit codes:
  0    done (also where a clip was refused with its reason)
  2    the words of the command were wrong
  3    a clip, picture or sound could not be read
  4    the result could not be written
  5    answers, check results, knowledge or a model file could not be used
  6    a case or package is missing, locked or damaged
  7    the scheduler of a batch could not be used
  130  stopped by you; nothing half-written is left
"""

CAUTION = (
    "Exhaust gas is poisonous: film outdoors, stand upwind, keep clear of hot and turning parts.\n"
    "Camera readings are screening evidence, never a legal smoke test."
)


def main(words: list[str] | None = None) -> int:
    """Run one command; returns its exit code."""
    words = sys.argv[1:] if words is None else words
    try:
        args = _parser(words).parse_args(words)
        return int(args.run(args))
    except SmokecaseError as error:
        sys.stderr.write(f"smokecase: {error}\n")
        return error.exit_code
    except KeyboardInterrupt:
        sys.stderr.write(f"smokecase: {Cancelled()}\n")
        return Cancelled.exit_code
    except BrokenPipeError:  # the reader of our output left; nothing more to say
        sys.stderr.close()
        return 0


def _parser(words: list[str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="smokecase",
        description="From a clip of a smoking exhaust to measured smoke and weighted causes.",
        epilog=f"{EXIT_CODES}\n{CAUTION}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="store_true", help="tell the version and stop")
    inner = parser.add_subparsers(metavar="COMMAND", title="commands")
    asked = next((w for w in words if not w.startswith("-")), None)
    for name, words_of_help in COMMANDS.items():
        command = inner.add_parser(
            name, help=words_of_help, description=words_of_help.capitalize() + ".",
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )  # fmt: skip
        if name == asked:
            module = import_module(f"smokecase.commands.{name}")
            module.add(command)
            command.set_defaults(run=module.run)

    def front(args: argparse.Namespace) -> int:
        if args.version:
            from smokecase import __version__

            sys.stdout.write(f"smokecase {__version__}\n")
        else:
            parser.print_help()
        return 0

    parser.set_defaults(run=front)
    return parser
