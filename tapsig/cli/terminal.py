"""Safe text for a terminal: without control characters, and in the terminal's encoding."""

import codecs
import contextlib
import io
import os
import re
import sys
from collections.abc import Container

CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")  # all but tab and newline
ARGUMENT = re.compile(r"(?<!# )\b(fs|channel|column|adc_bits|full_scale_v|time_unit)=(?:(?=('))|(?=[ ,;]|$))")
"""An argument by its name in Python, which the library's messages name: here it is an option."""
IN_ASCII = dict(zip("–−×·µ²‘’“”", "--x*u2''\"\"", strict=True)) | {"→": "->", "±": "+-", "…": "..."}


def name_options(text: str, known: Container[str] = ()) -> str:
    """`text` with arguments named as options, those of `known`, or as columns of a corpus' manifest.

    >>> name_options("give adc_bits=, or fs= here", {"adc_bits"})
    'give --adc-bits, or fs_hz in corpus.csv here'
    """

    def name(match: re.Match[str]) -> str:
        option = f"--{match[1].replace('_', '-')}"
        if match[1] not in known:  # the command takes a corpus, whose manifest says it
            option = f"{match[1].replace('fs', 'fs_hz')} in corpus.csv"
        return option + (" " if match[2] else "")

    return ARGUMENT.sub(name, text)


def make_inert(text: str) -> str:
    r"""`text` with control characters, and bytes of a name that are not UTF-8, as escapes.

    The escapes are those of JSON, so that a JSON document stays one.

    >>> print(make_inert("frame\x1b[2J"))
    frame\u001b[2J
    """
    return CONTROL.sub(lambda match: f"\\u{ord(match[0]):04x}", text)


def _replace(error: UnicodeError) -> tuple[str, int]:
    """ASCII replacement of characters outside an encoding."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end]
    return "".join(IN_ASCII.get(sign, ascii(sign)[1:-1] if not sign.isascii() else sign) for sign in text), error.end


codecs.register_error("tapsig", _replace)


def prepare_streams() -> None:
    """Let stdout and stderr take any text; notes to a closed stderr are dropped."""
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w")  # noqa: SIM115 - it stays open until the process ends
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # None when closed; a test may have put something else there
            stream.reconfigure(errors="tapsig")


def abandon_stdout() -> None:
    """Discard pending output of stdout, so that the interpreter does not write it again at exit."""
    if sys.stdout is not None:
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
