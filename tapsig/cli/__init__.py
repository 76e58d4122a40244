"""The command line: `tapsig COMMAND`. One module a command; each is imported only when it is called."""

import argparse
import importlib
import sys
from collections.abc import Sequence

from tapsig._version import __version__
from tapsig.cli.terminal import abandon_stdout, make_inert, name_options, prepare_streams
from tapsig.errors import ParameterError, TapsigError

# Command and its description. The module tapsig.cli.<command> (with _ for -) has add_arguments(parser) and
# run(args) -> int.
COMMANDS = {
    "quickstart": "a small example to begin with, and scripts that use it",
    "score": "precision and recall of detectors on a labelled corpus",
    "detect": "the taps that a detector finds in recordings, or live in a pipe",
    "health": "what is wrong with a recording",
    "ringdown": "modes, damping and decay times of a panel",
    "dead-time": "operating area of a plain threshold over threshold and dead time",
    "report": "one page on a recording or a corpus, from faults to what to record next",
    "tune": "the best setting of each plain detector for a recording, with its uncertainty",
    "causes": "why a detector missed taps or found false ones",
    "positions": "which mounting position to use, with its significance",
    "variants": "two detectors compared on the same recordings",
    "fit": "fit a detector to a labelled corpus",
    "entry": "taps to digits to a verdict",
    "risk": "chance of a wrong or a missed opening, and of false wake-ups",
    "standby": "average current and days on a battery",
    "propose": "propose labels for a recording",
    "review": "a page on which to correct labels",
    "agree": "how far two label files agree",
    "corpus": "build and check a corpus",
    "export": "a detector as C for a small controller",
    "simulate": "recordings simulated from physics",
    "reference": "the reference of tapsig in Python, as one page",
}

EPILOG = "The examples run as written after 'tapsig quickstart first', which writes a small simulated example."
EXIT_FINE, EXIT_DATA, EXIT_CALL = 0, 1, 2


def build_parser() -> argparse.ArgumentParser:
    """The top-level parser: only the names of the commands, so that it answers at once."""
    width = max(map(len, COMMANDS)) + 2
    listing = "\n".join(f"  {name:<{width}}{text}" for name, text in COMMANDS.items())
    parser = argparse.ArgumentParser(
        prog="tapsig",
        usage="tapsig COMMAND [options]",
        description="Deliberate knuckle taps in recordings of a piezo's output: load, understand, detect, score.",
        epilog=f"commands:\n{listing}\n\n'tapsig COMMAND --help' shows a command's options and examples.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"tapsig {__version__}")
    parser.add_argument("command", metavar="COMMAND", help=argparse.SUPPRESS)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; the exit code is 0 (fine), 1 (the data are at fault) or 2 (the call is at fault)."""
    prepare_streams()
    words = list(sys.argv[1:] if argv is None else argv)
    if not words or words[0] not in COMMANDS:
        parser = build_parser()
        if not words:
            parser.print_help(sys.stderr)
            return EXIT_CALL
        parser.parse_args(words[:1])
        parser.error(f"there is no command {words[0]!r}; there are: {', '.join(COMMANDS)}")
    name = words[0]
    module = importlib.import_module(f"tapsig.cli.{name.replace('-', '_')}")
    parser = argparse.ArgumentParser(
        prog=f"tapsig {name}",
        description=module.__doc__,
        epilog=EPILOG if " first" in (module.__doc__ or "") else None,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    module.add_arguments(parser)
    parser.add_argument("--debug", action="store_true", help="show the traceback of an error")
    args = argparse.Namespace(debug="--debug" in words)
    try:
        args = parser.parse_args(words[1:])  # an option may write, as --list does
        if "settle" in args:
            args.settle(args)
        return int(module.run(args))
    except ParameterError as error:
        return _fail(error, EXIT_CALL, args)
    except BrokenPipeError:  # the reader of our output has gone, as `head` does
        abandon_stdout()
        return EXIT_FINE
    except (TapsigError, OSError, MemoryError) as error:
        return _fail(error, EXIT_DATA, args)
    except KeyboardInterrupt:
        print("tapsig: stopped", file=sys.stderr)
        return 130


def _fail(error: BaseException, code: int, args: argparse.Namespace) -> int:
    if args.debug:
        raise error
    words = name_options(str(error), vars(args))
    if isinstance(error, OSError) and error.filename is not None:
        words = f"{error.filename}: {error.strerror}"
    print(make_inert(f"tapsig: {words or type(error).__name__}"), file=sys.stderr)
    if isinstance(error, OSError):
        abandon_stdout()  # it may be what is full
    return code
