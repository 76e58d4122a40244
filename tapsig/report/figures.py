"""Figures of recordings: waveform and decisions, spectrogram, health.

Each draws on `ax=` and returns it: axes, or an array of axes where it draws several panels, which take a sequence of
axes, a figure or a subfigure.
"""

import math
from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from tapsig.analysis.health import HealthReport
from tapsig.detections import Detections
from tapsig.dsp.decay import NOMINAL_HZ
from tapsig.dsp.envelope import compute_envelope
from tapsig.errors import ParameterError
from tapsig.records import TAP, Recording, require_recording
from tapsig.report.drawing import (
    ACCENT,
    INK,
    MID,
    ORANGE,
    PALE,
    STYLE,
    PanelAxes,
    Panels,
    find_figure,
    make_figure,
    set_octave_ticks,
    take_axes,
    take_panels,
    thin,
)
from tapsig.summary.spectrogram import compute_spectrogram
from tapsig.units import FloatArray, check_range, check_samples, require_kind, to_number

ENVELOPE_POINTS = 1200
SPECTRUM_RANGE_DB = 70.0
TITLE_WIDTH = 68
"""Characters of a title that fit the width of a figure."""


def _title(recording: Recording, given: str, most: int) -> str:
    """The title given, or the recording's place or file, its middle left out beyond `most` characters."""
    words = (recording.vehicle, recording.position, recording.scene)
    require_kind("title", given, str, "the words over the figure")
    name = given or ", ".join(word for word in words if word) or Path(recording.source).name or "recording"
    name = name.encode("utf-8", "backslashreplace").decode()  # no font has half a character
    half = max(8, (most - 1) // 2)
    return name if len(name) <= 2 * half + 1 else f"{name[:half]}…{name[-half:]}"


def _time_limits(recording: Recording) -> tuple[float, float]:
    """From the first sample to the end, in seconds of the file that the recording is a part of."""
    return recording.start_s, recording.start_s + max(recording.span_s, 1.0 / recording.fs)


def _parted(recording: Recording, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Times and values, one a sample; nan between the stretches, so that no line crosses a gap."""
    gaps = [gap.sample for gap in recording.gaps]
    times = recording.start_s + recording.times_s(np.arange(values.size))
    return np.insert(times, gaps, np.nan), np.insert(values, gaps, np.nan)


def _thin_highest(times: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Highest value of each piece: a line above what it is of, which stays visible under it."""
    size = math.ceil(values.size / ENVELOPE_POINTS)
    count = values.size // size
    pieces = values[: count * size].reshape(count, size)
    return times[: count * size : size], np.asarray(pieces.max(axis=1))


def plot_detections(
    recording: Recording,
    detections: Detections | None = None,
    *,
    ax: Axes | None = None,
    threshold_v: float | None = None,
    name: str = "",
    title: str = "",
) -> Axes:
    """Waveform and envelope, and under them labels and decisions.

    Parameters
    ----------
    recording : Recording
    detections : Detections, optional
        Taps to mark; rejected candidates are drawn hollow.
    ax : matplotlib.axes.Axes, optional
        Where to draw; default: axes of a new figure.
    threshold_v : float, optional
        A departure from the bias in volts, drawn as a line.
    name, title : str, optional
        The detector's name beside its marks, and the title.

    Returns
    -------
    matplotlib.axes.Axes
        The axes of the waveform; the rows of marks are the first of its `child_axes`.
    """
    require_recording(recording)
    if detections is not None:
        require_kind("detections", detections, Detections, "tapsig.detect(recording) gives them")
    if threshold_v is not None:
        check_range("threshold_v", threshold_v, 0.0, math.inf)
    require_kind("name", name, str, "the detector's")
    with mpl.rc_context(STYLE):
        if ax is None:  # the rows of marks hang below the axes, where no layout engine makes room for them
            ax = make_figure(7.2, 3.8).add_axes((0.115, 0.37, 0.85, 0.5))
        axes = take_axes(ax)
        samples = recording.samples - (np.median(recording.samples) if recording.samples.size else 0.0)
        axes.plot(*thin(*_parted(recording, samples)), color=MID, linewidth=0.5, label="waveform")
        if samples.size:
            times, envelope = _parted(recording, compute_envelope(samples, recording.fs))
            times, envelope = _thin_highest(times, envelope)
            axes.plot(times, envelope, color=ORANGE, linewidth=0.8, label="envelope")
        if threshold_v is not None:
            for side, label in ((1, f"threshold ±{threshold_v:.3g} V"), (-1, None)):
                axes.axhline(side * threshold_v, color=ACCENT, linestyle="--", label=label)
        axes.set(ylabel="departure from bias, V", xlim=_time_limits(recording))
        axes.set_title(" · ".join(filter(None, [_title(recording, title, TITLE_WIDTH - len(name)), name])), pad=20)
        axes.margins(y=0.06)
        axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 0.985), ncols=3, frameon=False, borderpad=0)
        axes.tick_params(axis="x", labelbottom=False)
        _draw_marks(axes.inset_axes((0.0, -0.42, 1.0, 0.38)), recording, detections)
    return axes


def _draw_marks(axes: Axes, recording: Recording, detections: Detections | None) -> None:
    """Lines of marks: labelled taps, other labels, accepted and rejected candidates."""
    others = np.array([label.onset_s for label in recording.labels or () if label.kind != TAP])
    marks = [recording.taps_s + recording.start_s, others + recording.start_s]
    axes.eventplot(marks, lineoffsets=[3, 2], linelengths=0.7, colors=[INK, MID], linewidths=[1.5, 1.0])
    lowest = -0.6
    if detections is not None:
        is_accepted = np.array([not reason for reason in detections.reason], dtype=bool)
        times = recording.times_s(detections.onset_samples) + recording.start_s
        accepted, rejected = times[is_accepted], times[~is_accepted]
        axes.plot(accepted, np.ones(accepted.size), "v", color=ACCENT, markersize=6)
        axes.plot(rejected, np.zeros(rejected.size), "v", markerfacecolor="white", markeredgecolor=MID, markersize=4)
        lowest = -0.6 if rejected.size else 0.4
    empty = [(3, not len(recording.taps_s)), (2, not others.size)] if recording.labels is not None else []
    empty += [(1, not accepted.size)] if detections is not None else []
    for place in (place for place, is_empty in empty if is_empty):
        axes.text(0.01, place, "none", transform=axes.get_yaxis_transform(), color=MID, fontsize=8, va="center")
    names = ["rejected", "detected", "other labels", "taps"][: 2 if recording.labels is None else 4]
    axes.set(yticks=range(len(names)), yticklabels=names, ylim=(lowest, len(names) - 0.4))
    axes.set(xlabel="time, s", xlim=_time_limits(recording))
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)


def plot_spectrogram(
    recording: Recording,
    *,
    ax: Axes | None = None,
    modes: Sequence[float] = (),
    highest_hz: float = math.inf,
    title: str = "",
) -> Axes:
    """Spectrogram in dB under its highest value over log-frequency; gaps are left blank.

    Parameters
    ----------
    recording : Recording
    ax : matplotlib.axes.Axes, optional
        Where to draw; default: axes of a new figure.
    modes : sequence of float, optional
        Frequencies in Hz to mark at the right edge.
    highest_hz : float, optional
        Upper end of the frequency axis; default: half the sample rate.
    title : str, optional

    Returns
    -------
    matplotlib.axes.Axes

    Raises
    ------
    ParameterError
        As `compute_spectrogram` does.
    """
    spectrum = compute_spectrogram(require_recording(recording))
    low_hz, top_hz = spectrum.low_hz, min(to_number(highest_hz), spectrum.high_hz)
    if not top_hz > low_hz:
        raise ParameterError(f"highest_hz is {highest_hz!r:.80}; it must be above {low_hz:g}")
    modes = check_samples("modes", modes).tolist()
    top = math.log2(top_hz / low_hz)
    with mpl.rc_context(STYLE):
        axes = take_axes(ax, height=3.6)
        image = axes.imshow(
            spectrum.level_db,
            origin="lower",
            aspect="auto",
            cmap="Greys",
            vmin=-SPECTRUM_RANGE_DB,
            vmax=0,
            extent=(*_time_limits(recording), 0.0, math.log2(spectrum.high_hz / low_hz)),
            rasterized=True,
        )
        place = -math.inf
        arrow = {"arrowstyle": "-|>", "color": ACCENT, "shrinkA": 0, "shrinkB": 0, "relpos": (0, 0.5)}
        for frequency in sorted(mode for mode in modes if low_hz < mode < top_hz):
            height = math.log2(frequency / low_hz)
            place = max(height, place + 0.045 * top)  # labels of neighbours side by side, not one over the other
            axes.annotate(
                f"{frequency:.0f} Hz",
                (1.0, height),
                xytext=(1.025, place),
                xycoords=("axes fraction", "data"),
                textcoords=("axes fraction", "data"),
                fontsize=7,
                va="center",
                color=ACCENT,
                arrowprops=arrow,
            )
        shown = [hertz for hertz in NOMINAL_HZ if low_hz <= hertz <= top_hz]
        axes.set_yticks([math.log2(hertz / low_hz) for hertz in shown], [f"{hertz:g}" for hertz in shown])
        axes.set(xlabel="time, s", xlim=_time_limits(recording), ylabel="frequency, Hz (octaves)", ylim=(0, top))
        axes.set_title(_title(recording, title, TITLE_WIDTH))
        find_figure(axes).colorbar(image, ax=axes, label="level, dB re maximum", pad=0.09, fraction=0.05)
    return axes


def plot_health(recording: Recording, report: HealthReport, *, ax: PanelAxes = None, title: str = "") -> Panels:
    """The waveform between its rails, gaps shaded, the spectrum of its calm half, and the findings in words.

    Parameters
    ----------
    recording : Recording
    report : HealthReport
    ax : sequence of two matplotlib.axes.Axes, figure or subfigure, optional
        Where to draw the waveform and the spectrum; default: a new figure.
    title : str, optional

    Returns
    -------
    array of matplotlib.axes.Axes, shape (2,)
        Waveform and spectrum.

    Raises
    ------
    ParameterError
        For another number of axes.
    """
    require_recording(recording)
    require_kind("report", report, HealthReport, "tapsig.health(recording) gives one")
    with mpl.rc_context(STYLE):
        axes = take_panels(ax, ("waveform", "spectrum"), rows=2, columns=1, height=4.4)
        wave, spectrum = axes
        times, samples = _parted(recording, recording.samples)
        wave.plot(*thin(times, samples), color=MID, linewidth=0.5)
        wave.axhline(report.bias_v, color=INK, linewidth=0.8, label=f"bias {report.bias_v:.3g} V")
        for k, rail in enumerate(recording.range_v or ()):
            wave.axhline(rail, color=ACCENT, linestyle="--", label=None if k else "rails")
        for k, gap in enumerate(recording.gaps):
            end_s = recording.start_s + float(recording.times_s(np.array(gap.sample)))
            wave.axvspan(end_s - gap.duration_s, end_s, color=PALE, label=None if k else "not recorded")
        placed = sorted((one for one in report.findings if math.isfinite(one.first_s)), key=lambda one: one.first_s)
        for k, finding in enumerate(placed):
            wave.annotate(
                finding.code.replace("-", " "),
                (finding.first_s + recording.start_s, report.bias_v),
                xytext=(4, 8 + 13 * (k % 4)),  # neighbours one above the other
                color=ACCENT,
                fontsize=8,
                textcoords="offset points",
                arrowprops={"arrowstyle": "-|>", "color": ACCENT},
                bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1},
            )
        faults = [finding.code.replace("-", " ") for finding in report.findings if finding.severity != "note"]
        words = ", ".join(faults[:3]) or "no faults found"
        if len(faults) > 3:
            words += f" and {len(faults) - 3} more"
        wave.set(xlabel="time, s", ylabel="V", xlim=_time_limits(recording))
        wave.set_title(f"{_title(recording, title, TITLE_WIDTH - len(words))}: {words}", pad=20)
        wave.legend(loc="lower left", bbox_to_anchor=(-0.01, 0.985), ncols=3, frameon=False, borderpad=0)
        if recording.samples.size > 1:
            _draw_calm_spectrum(spectrum, recording, report)
        spectrum.set(xlabel="frequency, Hz (octaves)", ylabel="dB re 1 V²/Hz")
        spectrum.set_title(f"spectrum of the calmer half; noise {1e3 * report.noise_v:.3g} mV rms")
        spectrum.grid(axis="y")
    return axes


def _draw_calm_spectrum(axes: Axes, recording: Recording, report: HealthReport) -> None:
    """Power spectral density (Welch) of the half of the seconds that vary least, with hum and tones marked."""
    from scipy.signal import welch  # heavy; only this figure needs it

    size = min(recording.samples.size, max(8, round(recording.fs)))
    blocks = recording.samples[: recording.samples.size // size * size].reshape(-1, size)
    calm = blocks[np.argsort(blocks.std(axis=1))[: max(1, blocks.shape[0] // 2)]]
    hertz, power = welch(calm.ravel(), recording.fs, nperseg=size, noverlap=0)
    axes.plot(hertz[1:], 10.0 * np.log10(power[1:] + 1e-20), color=INK, linewidth=0.7)
    axes.set(xscale="log", xlim=(max(5.0, hertz[1]), recording.fs / 2))
    set_octave_ticks(axes.xaxis)
    for finding in report.findings:
        if finding.code in ("hum", "tone"):
            axes.axvline(finding.value, color=ACCENT, linestyle=":", label=finding.message.split(",")[0])
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="upper right")
