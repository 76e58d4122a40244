"""Detectors of deliberate taps: the catalogue, and `detect`, which runs one."""

from pathlib import Path
from typing import Any, cast, overload

import numpy as np
import numpy.typing as npt

from tapsig.detections import Detections
from tapsig.detectors.base import Detector, ParameterisedVariant, Variant, run_detector
from tapsig.detectors.catalogue import CATALOGUE
from tapsig.detectors.parameters import Parameters, replace_parameters
from tapsig.detectors.saved import find_variant, load_detector, write_detector
from tapsig.errors import ParameterError
from tapsig.records import Recording, require_recording
from tapsig.units import FloatArray, is_counts, refuse_masked

__all__ = [
    "CATALOGUE",
    "Detector",
    "ParameterisedVariant",
    "Parameters",
    "Variant",
    "detect",
    "load_detector",
    "write_detector",
]


@overload
def detect(
    recording: Recording | npt.ArrayLike,
    fs: float | None = None,
    *,
    detector: Detector | Variant | str | Path = "tap",
    keep_rejected: bool = False,
    **parameters: object,
) -> Detections: ...
@overload
def detect(
    recording: Detector | Variant | str | Path, fs: Recording, *, keep_rejected: bool = False, **parameters: object
) -> Detections: ...
def detect(
    recording: object,
    fs: float | Recording | None = None,
    *,
    detector: Any = "tap",
    keep_rejected: bool = False,
    **parameters: object,
) -> Detections:
    """Detect taps in a recording, or in an array of volts.

    A detector is built for the recording's rate, gets all samples as one chunk, and restarts after a gap.
    `detect(detector, recording)` is the same as `detect(recording, detector=detector)`.

    Parameters
    ----------
    recording : Recording or array of float, shape (n,) or (n, 1)
        The input; an array holds volts.
    fs : float
        Sample rate in Hz of an array.
    detector : str, Path, Variant or Detector
        A name, a .json file or `module:attribute` (see `load_detector`), a variant, or a built detector.
    keep_rejected : bool
        Include rejected candidates, each with its reason.
    **parameters
        Parameters of the detector to change, such as probability=0.7.

    Returns
    -------
    Detections
        Onsets in seconds (`onset_s`) and samples, strengths, features and reasons.

    Raises
    ------
    ParameterError
        For a detector that is unknown, fails or was built for another rate; for an unknown parameter; for an array
        without its rate, or of integers, whose scale in volts is unknown.

    Examples
    --------
    >>> import numpy as np
    >>> volts = np.zeros(8000)
    >>> volts[4000:4008] = 0.5
    >>> detect(volts, 8000, detector="fixed-threshold", threshold_v=0.2).onset_s
    array([0.5])
    >>> detect("fixed-threshold", Recording(volts, 8000)).onset_samples
    array([4000])
    """
    if isinstance(fs, Recording) or isinstance(recording, (str, Path)) or callable(getattr(recording, "build", None)):
        return _detect(_refuse_path(recording, fs), require_recording(fs), keep_rejected, parameters)
    return _detect(detector, _to_recording(recording, fs), keep_rejected, parameters)


def _detect(detector: object, recording: Recording, keep_rejected: bool, parameters: dict[str, object]) -> Detections:
    if isinstance(detector, Detector):
        if keep_rejected or parameters:
            asked = "keep_rejected" if keep_rejected else next(iter(parameters))
            raise ParameterError(f"the detector is already built, so {asked} has no effect; build it with {asked}")
        return run_detector(detector, recording)
    variant = find_variant(cast("Variant | str | Path", detector))
    return run_detector(replace_parameters(variant, parameters), recording, keep_rejected=keep_rejected)


def _refuse_path(detector: object, recording: object) -> object:
    """The detector; ParameterError for the name of a recording's file."""
    if recording is None and isinstance(detector, (str, Path)) and Path(detector).suffix:
        raise ParameterError(f"recording is {str(detector)!r:.80}; tapsig.detect(tapsig.load(path)) reads a file")
    return detector


def _to_recording(samples: object, fs: float | None) -> Recording:
    """A recording as it is; an array of volts with its rate as a recording."""
    if isinstance(samples, Recording):
        if fs is not None:
            raise ParameterError(f"fs is {fs!r:.80}; the recording knows its rate, {samples.fs:g} Hz: leave it out")
        return samples
    if fs is None:
        if isinstance(samples, (np.ndarray, list, tuple)):
            raise ParameterError("fs is missing; give the sample rate in Hz: tapsig.detect(samples, fs)")
        return require_recording(samples)
    given = cast("npt.ArrayLike", samples)
    refuse_masked("recording", given)
    volts = np.asarray(samples)
    if is_counts(given):
        raise ParameterError(
            f"recording holds integers ({volts.dtype}), of unknown scale in volts; load its file with tapsig.load"
            " or convert counts with Converter((low, high), adc_bits).to_volts(counts) of tapsig.converter"
        )
    if volts.ndim == 2 and volts.shape[1] == 1:
        samples = volts[:, 0]
    return Recording(cast("FloatArray", samples), fs)
