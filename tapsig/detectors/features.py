"""The features of a candidate, in the order of the core's bytes (tap.c), and their meanings.

A level is a smoothed power in steps of an eighth of an octave. Differences of levels are stored with 64 added.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from tapsig.core.rate import DB_PER_LEVEL
from tapsig.units import FloatArray

CHANNELS = {"innovation": "prediction error", "fast": "high frequencies", "signal": "signal"}
"""A level is the power of: the signal without predictable ringing; differences of samples; what lies above 20 Hz."""
_CHANNEL_FEATURES = {
    "rise": "peak of the {} over the highest of the 28 ms before",
    "over_mean": "peak of the {} over its mean of the 32 ms before",
    "fall_early": "peak of the {} over its mean 6-9 ms after the onset",
    "fall_late": "peak of the {} over its mean 13-20 ms after the trigger",
    "tail": "peak of the {} over its highest 13-20 ms after the trigger",
    "trend": "mean of the {} 6-13 ms before the trigger over that 22-37 ms before",
}
_BACKGROUND = {
    "over_quietest": "peak of the {} over its quietest background",
    "over_1s": "peak of the {} over its mean 64 ms peak of the last second",
    "over_8s": "peak of the {} over its mean 64 ms peak of the last 8 s",
    "over_fading": "peak of the {} over its highest so far, less 1 dB a second",
}
DIFFERENCE, COUNT, LEVEL_OF_MS = "dB", "count", "ms"


@dataclass(frozen=True, slots=True)
class Feature:
    """One feature: its name, family, display unit and meaning."""

    name: str
    family: str
    unit: str
    meaning: str

    def to_unit(self, values: npt.NDArray[np.integer[Any]]) -> FloatArray:
        """Values of the core in the unit of the feature; nan where undefined."""
        stored = np.asarray(values, dtype=np.float64)
        if self.unit == DIFFERENCE:
            return (stored - 64.0) * DB_PER_LEVEL
        if self.unit == LEVEL_OF_MS:  # a level of the number of milliseconds
            return np.where(stored == 255, np.nan, 2.0 ** (stored / 8.0))
        return stored


def _table() -> tuple[Feature, ...]:
    found = [
        Feature(f"{channel}_{name}", channel, DIFFERENCE, words.format(spoken))
        for channel, spoken in CHANNELS.items()
        for name, words in _CHANNEL_FEATURES.items()
    ]
    found += [
        Feature(f"{c}_{name}", "background", DIFFERENCE, words.format(CHANNELS[c]))
        for c in ("innovation", "fast")
        for name, words in _BACKGROUND.items()
    ]
    found += [
        Feature("since_ms", "neighbours", LEVEL_OF_MS, "time since the previous candidate"),
        Feature(
            "over_last", "neighbours", DIFFERENCE, "peak of the prediction error over that of the candidate before"
        ),
        Feature("busy", "neighbours", COUNT, "candidates of the last seconds, 0 (none) to 255"),
    ]
    return tuple(found)


TABLE = _table()
FEATURES: tuple[str, ...] = tuple(feature.name for feature in TABLE)
_IN_UNITS = np.stack([feature.to_unit(np.arange(256)) for feature in TABLE])
"""Of each feature, every byte in its unit."""


def in_units(rows: npt.NDArray[np.uint8]) -> dict[str, FloatArray]:
    """Rows (n, len(FEATURES)) as read-only columns by name, each in its unit."""
    values = _IN_UNITS.take(rows.T + 256 * np.arange(len(FEATURES))[:, None])
    values.flags.writeable = False
    return dict(zip(FEATURES, values, strict=True))


def list_features() -> str:
    """One line for each feature, in the form of a reason."""
    lines = [f"  {f'{feature.family}: {feature.name}':<38} {feature.meaning}, {feature.unit}" for feature in TABLE]
    return "\n".join(
        ("Features, as `rejected: ...` and --features name them (detectors tap and innovation):", "", *lines)
    )
