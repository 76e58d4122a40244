"""Pictures, statistics and speed of the simulated scenes.

    python benchmarks/scenes.py --out /tmp/scenes [--vehicle heron] [--seed 5]

Writes a picture per scene into the folder (keep it outside the repository), and prints how loud, how sharp and how
coloured each scene is beside what is published for taps, then the simulation's speed.
"""

import argparse
import time
from pathlib import Path

import matplotlib
import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.signal import hilbert, spectrogram

from tapsig.cli.output import render_table
from tapsig.records import Recording
from tapsig.simulation import FLEET, POSITIONS, SCENES, find_vehicle, simulate_scene

matplotlib.use("Agg")
import matplotlib.pyplot as plt

COLOURS = {"tap": "tab:red", "rebound": "tab:pink"}


def centred(recording: Recording) -> np.ndarray:
    """Samples without bias, in parts of full scale."""
    assert recording.range_v is not None  # of everything simulated
    return (recording.samples - np.median(recording.samples)) / recording.range_v[1]


def smooth_envelope(samples: np.ndarray, fs: float) -> np.ndarray:
    """Highest magnitude of the analytic signal within ±1 ms."""
    return np.maximum(maximum_filter1d(np.abs(hilbert(samples)), int(0.002 * fs) | 1), 1e-6)


def describe_event(samples: np.ndarray, fs: float, onset_s: float, floor: float) -> dict[str, float] | None:
    """Peak, rise from 10 to 90 %, fall to -20 dB, dominant frequency of one event that stands out of the floor."""
    begin = int(onset_s * fs)
    piece = samples[begin : begin + int(0.18 * fs)]
    if piece.size < 0.18 * fs or np.abs(piece[: int(0.06 * fs)]).max() < 5.0 * floor:
        return None
    stretch = samples[max(begin - 200, 0) : begin + int(0.6 * fs)]
    envelope = np.maximum(np.abs(hilbert(stretch - stretch.mean())), 1e-6)[min(begin, 200) :]
    top = int(np.argmax(envelope[: int(0.06 * fs)]))
    peak = envelope[top]
    before = envelope[: top + 1]
    low = np.flatnonzero(before < 0.1 * peak)
    high = np.flatnonzero(before >= 0.9 * peak)
    below = np.flatnonzero(maximum_filter1d(envelope, int(0.02 * fs))[top:] < 0.1 * peak)
    piece = piece - piece.mean()
    spectrum = np.abs(np.fft.rfft(piece * np.hanning(piece.size * 2)[piece.size :]))
    frequencies = np.fft.rfftfreq(piece.size, 1.0 / fs)
    power = spectrum**2
    return {
        "peak": float(np.abs(piece).max()),
        "rise_ms": 1e3 * (high[0] - (low[low < high[0]][-1] if (low < high[0]).any() else 0)) / fs,
        "fall_ms": 1e3 * below[0] / fs if below.size else float("nan"),
        "dominant_hz": float(frequencies[spectrum.argmax()]),
        "above_2k": float(power[frequencies > 2000.0].sum() / power.sum()),
    }


def summarise(values: list[float], digits: int = 2) -> str:
    """5 %, 50 % and 95 % points."""
    kept = np.array([value for value in values if np.isfinite(value)])
    return " / ".join(f"{point:.{digits}f}" for point in np.percentile(kept, [5, 50, 95])) if kept.size else "-"


def table_of_taps(scene: str, seeds: int, kind: str) -> list[list[object]]:
    """One row a position: what the events of `kind` look like over the whole fleet."""
    rows = []
    found: dict[str, list[dict[str, float]]] = {position: [] for position in POSITIONS}
    clipped = dict.fromkeys(POSITIONS, 0)
    counted = dict.fromkeys(POSITIONS, 0)
    for name in FLEET:
        for seed in range(seeds):
            simulated = simulate_scene(
                name, scene, duration_s=30.0, seed=900 + seed, taps="entries" if kind == "tap" else "none"
            )
            for position, recording in simulated.recordings.items():
                samples = centred(recording)
                floor = float(np.median(np.abs(samples))) / 0.67 + 1e-3
                for label in recording.labels or ():
                    if label.kind != kind:
                        continue
                    counted[position] += 1
                    event = describe_event(samples, recording.fs, label.onset_s, floor)
                    if event:
                        found[position].append(event)
                        clipped[position] += event["peak"] > 0.95
    for position, events in found.items():
        rows.append(
            [
                position,
                counted[position],
                len(events) / max(counted[position], 1),
                clipped[position] / max(counted[position], 1),
                *(
                    summarise([event[key] for event in events], digits)
                    for key, digits in (
                        ("peak", 2),
                        ("rise_ms", 1),
                        ("fall_ms", 0),
                        ("dominant_hz", 0),
                        ("above_2k", 3),
                    )
                ),
            ]
        )
    return rows


def table_of_scenes(seeds: int) -> list[list[object]]:
    """One row a scene and position: level and colour of the nuisance alone."""
    rows: list[list[object]] = []
    for scene in SCENES:
        levels: dict[str, list[tuple[float, float, float]]] = {position: [] for position in POSITIONS}
        for name in FLEET:
            for seed in range(seeds):
                simulated = simulate_scene(name, scene, duration_s=20.0, seed=700 + seed, taps="none")
                for position, recording in simulated.recordings.items():
                    samples = centred(recording)
                    power = np.abs(np.fft.rfft(samples)) ** 2
                    frequencies = np.fft.rfftfreq(samples.size, 1.0 / recording.fs)
                    power[frequencies < 5.0] = 0.0
                    levels[position].append(
                        (
                            float(samples.std()),
                            float(np.abs(samples).max()),
                            float((frequencies * power).sum() / power.sum()),
                        )
                    )
        for position, values in levels.items():
            rms, peak, centroid = np.array(values).T
            rows.append(
                [
                    scene,
                    position,
                    summarise(list(20 * np.log10(rms)), 0),
                    summarise(list(20 * np.log10(peak)), 0),
                    summarise(list(centroid), 0),
                ]
            )
    return rows


def draw_scene(scene: str, vehicle: str, seed: int, folder: Path) -> None:
    """Waveform, envelope and spectrogram at the four positions, with labelled events."""
    simulated = simulate_scene(vehicle, scene, duration_s=12.0, seed=seed)
    figure, axes = plt.subplots(3, 4, figsize=(22, 11), sharex=True, constrained_layout=True)
    for column, (position, recording) in enumerate(simulated.recordings.items()):
        samples, fs = centred(recording), recording.fs
        times = np.arange(samples.size) / fs
        axes[0, column].plot(times, samples, lw=0.4, color="black")
        axes[0, column].set(ylim=(-1.05, 1.05), title=f"{scene}: {vehicle}, {position}", ylabel="parts of full scale")
        axes[1, column].plot(times, 20 * np.log10(smooth_envelope(samples, fs)), lw=0.6)
        axes[1, column].set(ylim=(-80, 3), ylabel="envelope, dB re full scale")
        frequencies, moments, power = spectrogram(samples, fs, nperseg=256, noverlap=192)
        axes[2, column].pcolormesh(
            moments, frequencies, 10 * np.log10(power + 1e-14), vmin=-110, vmax=-35, shading="auto"
        )
        axes[2, column].set(ylabel="Hz", xlabel="s")
        for label in recording.labels or ():
            height = 1.0 if label.kind == "tap" else 0.85
            axes[0, column].plot([label.onset_s], [height], "v", ms=5, color=COLOURS.get(label.kind, "tab:blue"))
    figure.savefig(folder / f"{scene}-{vehicle}.png", dpi=60)
    plt.close(figure)


def measure_speed(duration_s: float = 60.0) -> list[list[object]]:
    """Seconds recorded, at four positions, per second of processor time; compilation and the modes left out."""
    rows: list[list[object]] = []
    for name in ("heron", "crane"):
        vehicle = find_vehicle(name)
        for scene in SCENES:
            simulate_scene(vehicle, scene, duration_s=1.0, taps="none")
            begin = time.process_time()
            simulate_scene(vehicle, scene, duration_s=duration_s, seed=3)
            rows.append([name, scene, duration_s / (time.process_time() - begin)])
    return rows


def main() -> None:
    """Run all of it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, help="folder for the pictures; no pictures without it")
    parser.add_argument("--vehicle", default="heron")
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--seeds", type=int, default=2, help="recordings per vehicle in the tables")
    parser.add_argument("--only", choices=("pictures", "taps", "scenes", "speed"))
    args = parser.parse_args()
    if args.out and args.only in (None, "pictures"):
        args.out.mkdir(parents=True, exist_ok=True)
        for scene in SCENES:
            draw_scene(scene, args.vehicle, args.seed, args.out)
    if args.only in (None, "taps"):
        header = [
            "position",
            "events",
            "stand out",
            "clipped",
            "peak / full scale",
            "rise ms",
            "fall to -20 dB ms",
            "dominant Hz",
            "share > 2 kHz",
        ]
        for scene, kind, published in (
            ("quiet", "tap", "rise 1-5 ms; room doors: -20 dB after about 85 ms, dominant 70-410 Hz"),
            ("slam", "slam", "rise over 16 ms, dominant near 70 Hz"),
            ("driving", "thump", "no figure"),
            ("hail", "hail", "no figure"),
        ):
            print(f"\n{kind} in {scene} (5 / 50 / 95 % points; published: {published})")
            print(render_table(header, table_of_taps(scene, args.seeds, kind)))
    if args.only in (None, "scenes"):
        print("\nnuisance alone (5 / 50 / 95 % points)")
        print(
            render_table(
                ["scene", "position", "rms dB re full scale", "peak dB", "centroid Hz"], table_of_scenes(args.seeds)
            )
        )
    if args.only in (None, "speed"):
        print("\nspeed, recorded seconds at four positions per second of processor time")
        print(render_table(["vehicle", "scene", "times real time"], measure_speed()))


if __name__ == "__main__":
    main()
