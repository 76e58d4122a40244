"""Names and conversions of units: seconds and samples, volts and converter counts, decibels; checks of numbers."""

import math
import operator
import sys
from collections.abc import Iterable
from typing import SupportsIndex, TypeVar, overload

import numpy as np
import numpy.typing as npt

from tapsig.errors import ParameterError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Kind = TypeVar("Kind")

SECONDS = {"ns": 1e-9, "us": 1e-6, "ms": 1e-3, "s": 1.0}
"""Seconds per unit of time."""
TIME_UNITS = {
    **dict.fromkeys(("ns", "nsec", "nanos", "nanosecond", "nanoseconds"), "ns"),
    **dict.fromkeys(("us", "µs", "μs", "usec", "micros", "microsec", "microsecond", "microseconds"), "us"),
    **dict.fromkeys(("ms", "msec", "millis", "millisec", "millisecond", "milliseconds"), "ms"),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
}
"""Unit of time by its names in lower case."""
VOLT_UNITS = {
    **dict.fromkeys(("v", "volt", "volts"), 1.0),
    **dict.fromkeys(("mv", "millivolt", "millivolts"), 1e-3),
    **dict.fromkeys(("uv", "µv", "μv", "microvolt", "microvolts"), 1e-6),
    **dict.fromkeys(("nv", "nanovolt", "nanovolts"), 1e-9),
    **dict.fromkeys(("kv", "kilovolt", "kilovolts"), 1e3),
}
"""Volts per unit of voltage, by its names in lower case."""


def check_positive(name: str, value: float) -> float:
    """Return `value` as a float; raise ParameterError unless it is finite and above zero.

    >>> check_positive("fs", 8000)
    8000.0
    """
    number = to_number(value)
    if not (math.isfinite(number) and number > 0):
        raise ParameterError(f"{name} is {value!r:.80}; it must be a finite number above 0")
    return number


def check_range(name: str, value: float, low: float, high: float) -> float:
    """Return `value` as a float; raise ParameterError unless low <= value <= high.

    >>> check_range("recall", 0.5, 0, 1)
    0.5
    """
    number = to_number(value)
    if not (math.isfinite(number) and low <= number <= high):
        raise ParameterError(f"{name} is {value!r:.80}; it must lie between {low:g} and {high:g}")
    return number


def check_count(name: str, value: SupportsIndex, low: int, high: int) -> int:
    """Return `value`; raise ParameterError unless it is a whole number between `low` and `high`.

    >>> check_count("digit_max", 9, 1, 255)
    9
    """
    try:
        number = low - 1 if isinstance(value, bool) else operator.index(value)
    except TypeError:
        number = low - 1
    if not low <= number <= high:
        raise ParameterError(f"{name} is {value!r:.80}; it must be a whole number between {low} and {high}")
    return number


def to_number(value: object) -> float:
    """The value as a float; nan for anything but a real number of Python or NumPy, also for text and for True.

    >>> to_number(np.float32(0.5)), to_number(True), to_number("1")
    (0.5, nan, nan)
    """
    if type(value) is float:  # the most frequent by far
        return value
    if isinstance(value, np.ndarray) and value.ndim == 0:  # as np.load gives a number
        value = value[()]
    if isinstance(value, bool) or not isinstance(value, (int, float, np.integer, np.floating)):
        return math.nan
    try:
        return float(value)
    except OverflowError:
        return math.nan


def parse_number(text: str) -> float:
    """The number that a cell of a table holds; nan for none, also for 1_000, which Python's float would read.

    >>> parse_number("1.5e3"), parse_number("1_000")
    (1500.0, nan)
    """
    try:
        return math.nan if "_" in text else float(text)
    except ValueError:
        return math.nan


def require_kind(name: str, given: object, kind: type[Kind], remedy: str) -> Kind:
    """Return what was given; raise ParameterError, with the remedy, unless it is of that kind.

    >>> require_kind("folder", 5, str, "such as 'bench'")
    Traceback (most recent call last):
    tapsig.errors.ParameterError: folder is an int; it must be a str: such as 'bench'
    """
    if not isinstance(given, kind):
        found, wanted = (
            ("an " if word[0] in "aeioAEIO" else "a ") + word for word in (type(given).__name__, kind.__name__)
        )
        raise ParameterError(f"{name} is {found}; it must be {wanted}: {remedy}")
    return given


def check_choice(name: str, given: object, choices: Iterable[str]) -> str:
    """Return what was given; raise ParameterError unless it is one of the choices."""
    known = list(choices)
    if not isinstance(given, str) or given not in known:
        raise ParameterError(f"{name} is {given!r:.80}; it must be one of {', '.join(known)}")
    return given


def check_texts(name: str, given: object) -> tuple[str, ...]:
    """Return the items; raise ParameterError unless they are texts. A text alone is refused: its letters would be read.

    >>> check_texts("codes", ["213", "41"])
    ('213', '41')
    """
    found = (None,) if isinstance(given, str) else as_tuple(given)
    kept = tuple(item for item in found if isinstance(item, str))
    if len(kept) < len(found):
        raise ParameterError(f"{name} is {given!r:.80}; it must be a list of texts")
    return kept


def check_progress(progress: object) -> None:
    """Raise ParameterError unless it can be called, or is None."""
    if progress is not None and not callable(progress):
        raise ParameterError(f"progress is {progress!r:.80}; it must be a function that takes a number")


def check_pair(name: str, values: object) -> tuple[float, float]:
    """Return `values` as two floats; raise ParameterError unless they are two finite numbers."""
    pair = tuple(map(to_number, as_tuple(values)))
    if len(pair) != 2 or not all(map(math.isfinite, pair)):
        raise ParameterError(f"{name} is {values!r:.80}; it must be two numbers")
    return pair[0], pair[1]


def as_tuple(given: object) -> tuple[object, ...]:
    """The items of what can be iterated; else the one thing itself.

    >>> as_tuple([1, 2]), as_tuple(1), as_tuple(np.array(1))
    ((1, 2), (1,), (array(1),))
    """
    try:
        return tuple(given)  # type: ignore[arg-type]
    except TypeError:
        return (given,)


def check_rails(name: str, values: object) -> tuple[float, float]:
    """Return a converter's rails (low, high) as two floats, low first, 1e-9 to 1e15 V apart; or raise ParameterError.

    >>> check_rails("range_v", (0, 5))
    (0.0, 5.0)
    """
    low, high = check_pair(name, values)
    if not 1e-9 <= high - low <= 1e15:
        raise ParameterError(
            f"{name} is {values!r:.80}; it must be (low, high) in volts, low first, 1e-9 to 1e15 V apart"
        )
    return low, high


def to_floats(name: str, values: npt.ArrayLike) -> FloatArray:
    """`values` as an array of float64; raise ParameterError unless they are real numbers, none of them masked.

    True and False are no numbers, nor are dates, texts of numbers and the records of a structured array.

    >>> to_floats("onsets_s", [1, 2])
    array([1., 2.])
    """
    if values is None or isinstance(values, (str, bytes)):
        raise ParameterError(f"{name} is {values!r:.80}; it must be an array of numbers")
    refuse_masked(name, values)
    try:
        array = np.asarray(values)
        if array.dtype.kind in "iufO":
            return np.asarray(array, dtype=np.float64)
    except (TypeError, ValueError, OverflowError) as error:
        raise ParameterError(f"{name} is {values!r:.80}; it must be an array of numbers ({error})") from error
    if array.dtype.kind == "c":
        raise ParameterError(f"{name} holds complex numbers ({array.dtype}); give the real part or the magnitude")
    raise ParameterError(f"{name} holds values of the type {array.dtype.type.__name__}; it must be an array of numbers")


def refuse_masked(name: str, values: npt.ArrayLike) -> None:
    """Raise ParameterError for a masked array with any value masked."""
    if "numpy.ma" not in sys.modules:  # nobody made a masked array; loading it takes 20 ms
        return
    if isinstance(values, np.ma.MaskedArray) and (masked := np.ma.getmaskarray(values)).any():
        place = ", ".join(map(str, np.argwhere(masked)[0]))
        raise ParameterError(
            f"{name}[{place}] is masked (the first of {np.count_nonzero(masked)}); fill it, or cut it out: what was not"
            " recorded goes into Recording(gaps=...)"
        )


def is_counts(values: npt.ArrayLike) -> bool:
    """Whether `values` are integers of a converter, of unknown scale in volts; a list or tuple holds volts.

    >>> is_counts(np.arange(3)), is_counts([0, 1, 2])
    (True, False)
    """
    return not isinstance(values, (list, tuple)) and np.asarray(values).dtype.kind in "iu"


def finite_number(value: object) -> float | None:
    """A finite number from JSON as a float; None for anything else, such as true or an integer of 400 digits.

    >>> finite_number(3), finite_number(True), finite_number(10**400)
    (3.0, None, None)
    """
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def check_samples(name: str, values: npt.ArrayLike) -> FloatArray:
    """Return `values` as float64; raise ParameterError unless they are 1-D, shape (n,), and finite.

    >>> check_samples("samples", [1, 2])
    array([1., 2.])
    """
    samples = to_floats(name, values)
    if samples.ndim != 1:
        raise ParameterError(f"{name} has shape {samples.shape}; one channel (1-D) is needed")
    if not np.isfinite(samples).all():
        first = int(np.flatnonzero(~np.isfinite(samples))[0])
        raise ParameterError(f"{name}[{first}] is {samples[first]}; every sample must be finite")
    return np.ascontiguousarray(samples)


def seconds_to_samples(seconds: float, fs: float, *, at_least: int = 0) -> int:
    """Nearest whole number of samples (halves up) in `seconds` at the rate `fs` (Hz).

    >>> seconds_to_samples(0.01, 8000)
    80
    """
    return max(at_least, math.floor(seconds * fs + 0.5))


@overload
def amplitude_to_db(ratio: float) -> float: ...
@overload
def amplitude_to_db(ratio: FloatArray) -> FloatArray: ...
def amplitude_to_db(ratio: float | FloatArray) -> float | FloatArray:
    """20 lg of an amplitude ratio; 0 gives -inf.

    >>> amplitude_to_db(10.0)
    20.0
    """
    with np.errstate(divide="ignore"):
        level = 20.0 * np.log10(np.asarray(ratio, dtype=np.float64))
    return level if level.ndim else float(level)


def db_to_amplitude(level_db: float) -> float:
    """Amplitude ratio of a level in decibels.

    >>> db_to_amplitude(20.0)
    10.0
    """
    return float(10.0 ** (level_db / 20.0))


def volts_to_counts(samples: FloatArray, range_v: tuple[float, float], adc_bits: int) -> IntArray:
    """Converter counts, 0 to 2**adc_bits - 1, of `samples` (volts) for rails `range_v` (low, high).

    One count is (high - low) / 2**adc_bits; values round to the nearest count (halves up) and stop at the rails.

    >>> volts_to_counts(np.array([-1.0, 0.0, 1.0]), (-1.0, 1.0), 10)
    array([   0,  512, 1023])
    """
    low, high = check_rails("range_v", range_v)
    steps = 1 << check_count("adc_bits", adc_bits, 1, 24)
    counts = np.floor((samples - low) / (high - low) * steps + 0.5)
    return np.clip(counts, 0, steps - 1).astype(np.int64)


def counts_to_volts(counts: npt.NDArray[np.integer], range_v: tuple[float, float], adc_bits: int) -> FloatArray:
    """Volts of converter `counts` for rails `range_v` (low, high): low + counts * (high - low) / 2**adc_bits.

    >>> counts_to_volts(np.array([0, 512]), (0.0, 5.0), 10)
    array([0. , 2.5])
    """
    low, high = range_v
    return low + np.asarray(counts, dtype=np.float64) * ((high - low) / (1 << adc_bits))


def read_only(values: npt.ArrayLike, dtype: npt.DTypeLike) -> npt.NDArray[np.generic]:
    """A read-only array of `values`; copied unless it is already read-only and of that type."""
    array = np.asarray(values, dtype=dtype)
    if array.flags.writeable:
        array = array.copy() if array is values or array.base is not None else array
        array.flags.writeable = False
    return array
