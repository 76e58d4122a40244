"""The contract of every detector, and checks for it.

In a test of a detector, one test for each check:

    @pytest.mark.parametrize("check", detector_checks(MyVariant()), ids=str)
    def test_contract(check):
        check.run()

or all together: `check_detector(MyVariant())`.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np

from tapsig.detectors.base import Variant
from tapsig.detectors.saved import find_variant
from tapsig.errors import ParameterError
from tapsig.testing import clauses
from tapsig.testing.clauses import ContractError
from tapsig.units import FloatArray, check_positive, check_range, check_samples, seconds_to_samples

__all__ = ["Check", "ContractError", "check_detector", "detector_checks", "make_test_signal"]

RATES_HZ = (1000.0, 8000.0, 48_000.0)
SIGNAL_RATES_HZ = (178.0, 1e6)
LEAST_SAMPLES = 20
_FAILURES = (AssertionError, ArithmeticError, AttributeError, LookupError, TypeError, ValueError, Warning)


@dataclass(frozen=True, slots=True)
class Check:
    """One clause of the contract."""

    name: str
    clause: Callable[[], None]

    def __str__(self) -> str:
        return self.name

    def run(self) -> None:
        """Raise ContractError where the detector breaks the clause."""
        try:
            self.clause()
        except (ContractError, ParameterError) as error:
            raise ContractError(f"{self.name!r}: {error}") from None
        except _FAILURES as error:
            raise ContractError(f"{self.name!r}: it raised {type(error).__name__}: {error}") from error


def make_test_signal(fs: float, *, seed: int = 0) -> FloatArray:
    """Four seconds of knocks on a ringing panel over noise, with a bias of 2.5 V, shape (n,), volts between 0 and 5.

    Pairs of knocks 110 to 180 ms apart, a slow thump, a burst of noise. It is not realistic; it only exercises
    detectors.

    Raises ParameterError for a rate under 178 Hz, too low for the lowest mode, or above 1 MHz.
    """
    check_range("fs", fs, *SIGNAL_RATES_HZ)
    rng = np.random.default_rng(seed)
    count = seconds_to_samples(4.0, fs)
    times = np.arange(count) / fs
    samples = 2.5 + 0.002 * rng.standard_normal(count)
    modes = [mode for mode in (71.0, 118.0, 167.0, 243.0, 331.0, 620.0, 1430.0) if mode < 0.4 * fs]
    for onset_s, peak_v in ((0.5, 0.6), (0.68, 0.5), (1.4, 0.9), (1.51, 0.7), (2.3, 0.3), (2.45, 0.35), (3.5, 0.5)):
        after = times[times >= onset_s] - onset_s
        ring = sum(np.sin(2 * np.pi * mode * after) * np.exp(-after * mode / 12.0) for mode in modes)
        samples[-after.size :] += peak_v / len(modes) ** 0.5 * ring
    after = times[times >= 3.0] - 3.0
    samples[-after.size :] += 0.2 * np.sin(2 * np.pi * 9.0 * after) * np.exp(-after / 0.1)
    burst = slice(seconds_to_samples(1.9, fs), seconds_to_samples(2.0, fs))
    samples[burst] += 0.05 * rng.standard_normal(samples[burst].size)
    return np.clip(samples, 0.0, 5.0)


def check_detector(
    variant: Variant | str,
    *,
    fs: float | Iterable[float] = RATES_HZ,
    samples: FloatArray | None = None,
    hears: bool = True,
) -> None:
    """Run every check at every rate; raise ContractError with all failures.

    Parameters
    ----------
    variant : a variant, or a name such as "my_module:MyVariant" (see `load_detector`).
    fs : rates in Hz to check.
    samples : a test signal in volts, used at every rate, of 20 samples or more; default: `make_test_signal`.
    hears : require detections in the signal and none in silence.

    Raises ParameterError for what is no variant, rate or signal.

    >>> check_detector("fixed-threshold", fs=[2000.0])
    """
    failures = []
    for rate in fs if isinstance(fs, Iterable) else [fs]:
        for check in detector_checks(variant, fs=rate, samples=samples, hears=hears):
            try:
                check.run()
            except ContractError as error:
                failures.append(f"at {rate:g} Hz, {error}")
    if failures:
        raise ContractError("\n".join(failures))


def detector_checks(
    variant: Variant | str, *, fs: float = 8000.0, samples: FloatArray | None = None, hears: bool = True
) -> Iterator[Check]:
    """The clauses of the contract for one rate. Parameters as in `check_detector`."""
    chosen = find_variant(variant)
    signal = make_test_signal(fs) if samples is None else check_samples("samples", samples).copy()
    if signal.size < LEAST_SAMPLES:
        raise ParameterError(f"samples holds {signal.size} values; it must hold {LEAST_SAMPLES} or more")
    fs = check_positive("fs", fs)
    signal.flags.writeable = False
    for name, clause in clauses.CLAUSES.items():
        if name == "constant input":
            clause = partial(clauses.check_constant, hears=hears)
        if hears or name != "hears something":
            yield Check(name, partial(clause, chosen, fs, signal))
