"""Detectors of deliberate taps: a catalogue of them, and `detect`, which runs one."""

from tapsig.detectors.base import Detector, Variant, run_detector
from tapsig.detectors.catalogue import CATALOGUE
from tapsig.detectors.saved import find_variant, load_detector, write_detector
from tapsig.errors import ParameterError
from tapsig.records import Detections, Recording, require_recording

__all__ = ["CATALOGUE", "Detector", "Variant", "detect", "load_detector", "write_detector"]


def detect(detector: Detector | Variant | str, recording: Recording, *, keep_rejected: bool = False) -> Detections:
    """Taps in `recording`: a detector is built for its rate, fed all samples at once, and started anew after a gap.

    `detector` is a variant, what `load_detector` takes (a name, a .json file, `module:attribute`), or a detector that
    is already built. `keep_rejected` adds the candidates that were rejected, each with its reason.

    Raises ParameterError for a detector that is not known, fails or was built for another rate, and for samples that
    are no Recording.

    >>> import numpy as np
    >>> from tapsig import Recording
    >>> samples = np.zeros(8000)
    >>> samples[4000:4008] = 0.5
    >>> detect("fixed-threshold", Recording(samples, 8000.0)).onset_samples
    array([4000])
    """
    require_recording(recording)
    if isinstance(detector, Detector):
        if keep_rejected:
            raise ParameterError(
                "keep_rejected is asked of a detector that is already built; build it with keep_rejected"
            )
        return run_detector(detector, recording)
    return run_detector(find_variant(detector), recording, keep_rejected=keep_rejected)
