"""The example that `tapsig quickstart` hands out, simulated: a door in quiet with two code entries, and rain on it.

`python -m tapsig.quickstart.example tapsig/quickstart/files` simulates it again.
"""

import sys
from collections.abc import Mapping
from pathlib import Path

from tapsig.loading.files import replace_file
from tapsig.records import Recording
from tapsig.simulation import simulate_scene
from tapsig.simulation.corpus import render_labels, render_wav

POSITIONS = ("inner-skin", "frame")
FS = 2000.0
SCENES: Mapping[str, Mapping[str, object]] = {
    "door": {"scene": "quiet", "duration_s": 24.0, "seed": 3, "taps": "both", "codes": ("314", "213")},
    "rain": {"scene": "rain", "duration_s": 20.0, "seed": 5, "taps": "none"},
}
"""Name of each file, and what `simulate_scene` makes of the vehicle heron."""


def simulate_example(name: str) -> tuple[Recording, ...]:
    """The recordings in the file `name`, one for each of POSITIONS."""
    simulated = simulate_scene("heron", positions=POSITIONS, fs=FS, **SCENES[name])  # type: ignore[arg-type]
    return tuple(simulated.recordings[position] for position in POSITIONS)


def write_example(folder: Path) -> None:
    """Simulate the example again: the WAV and label files that are shipped with the package."""
    for name in SCENES:
        recordings = simulate_example(name)
        replace_file(folder / f"{name}.wav", render_wav(recordings))
        replace_file(folder / f"{name}.labels.csv", render_labels(recordings[0]))


if __name__ == "__main__":
    write_example(Path(sys.argv[1]))
