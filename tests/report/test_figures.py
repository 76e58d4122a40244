"""Figures show what they are given, save in three formats, and stand inside a page as SVG."""

import io
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.text import Text

import tapsig
from tapsig.analysis.causes import CauseTable, ErrorCause
from tapsig.analysis.dead_time import DeadTimeMap, compute_dead_time_map
from tapsig.analysis.faults import HealthFinding
from tapsig.analysis.health import check_health
from tapsig.analysis.ringdown import compute_ringdown
from tapsig.cli import main
from tapsig.detections import Detections
from tapsig.dsp.modes import Mode
from tapsig.entry.evidence import EvidenceEntry
from tapsig.errors import ParameterError
from tapsig.loading import write_wav
from tapsig.records import Gap, Label, Recording
from tapsig.report.drawing import Drawn, Panels, find_figure, write_figure
from tapsig.report.entry_figure import plot_entry
from tapsig.report.error_figures import plot_causes, plot_features
from tapsig.report.figures import plot_detections, plot_health, plot_spectrogram
from tapsig.report.panel_figures import plot_dead_time, plot_ringdown
from tests.fakes import ring_down

FS = 2000.0
TAPS = (0.5, 1.3, 2.1)
NOTHING = Detections(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0), reason=())


def record(taps_s: tuple[float, ...], *others: Label) -> Recording:
    rng = np.random.default_rng(0)
    time_s = np.arange(int(3 * FS)) / FS
    samples = 1.6 + 2e-3 * rng.standard_normal(time_s.size)
    for tap in taps_s:
        samples += 0.5 * ring_down(time_s, tap, 140.0, 0.41)
    labels = (*map(Label, taps_s), *others)
    return Recording(samples, FS, labels, "frame", "heron", "quiet", range_v=(0.0, 3.3), adc_bits=12)


@pytest.fixture(scope="module")
def recording() -> Recording:
    return record(TAPS, Label(0.9, "slam"))


@pytest.fixture(scope="module")
def digit() -> Recording:
    """Three taps as close as those of one digit."""
    return record((0.5, 0.9, 1.3))


def texts(figure: Drawn) -> str:
    buffer = io.BytesIO()
    with mpl.rc_context({"svg.fonttype": "none"}):
        find_figure(figure).savefig(buffer, format="svg")
    root = ElementTree.fromstring(buffer.getvalue())
    return " ".join(element.text or "" for element in root.iter("{http://www.w3.org/2000/svg}text"))


@pytest.mark.parametrize(("suffix", "magic"), [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".pdf", b"%PDF")])
def test_files_by_ending(recording: Recording, tmp_path: Path, suffix: str, magic: bytes) -> None:
    path, figure = tmp_path / f"a{suffix}", plot_detections(recording)
    write_figure(figure, path)
    assert path.read_bytes().startswith(magic)
    with pytest.raises(ParameterError, match="--force"):
        write_figure(figure, path)
    write_figure(figure, path, force=True)


def test_other_endings_and_missing_folders_are_refused(recording: Recording, tmp_path: Path) -> None:
    figure = plot_detections(recording)
    for name, words in (("a.bmp", r"must end in \.png"), ("none/a.png", "does not exist")):
        with pytest.raises(ParameterError, match=words):
            write_figure(figure, tmp_path / name)


def test_detections_show_taps_labels_and_both_kinds_of_decision(recording: Recording) -> None:
    onsets = np.array([1000, 2600, 5000])
    found = Detections(onsets, onsets, np.zeros(3), reason=("", "", "gate"))
    figure = wave = plot_detections(recording, found, threshold_v=0.2, name="mine")
    [marks] = wave.child_axes
    assert "heron, frame, quiet · mine" in texts(figure)
    assert "threshold ±0.2 V" in texts(figure)
    accepted, rejected = (line.get_xdata().tolist() for line in marks.lines[-2:])
    assert accepted == [0.5, 1.3]
    assert rejected == [2.5]
    events = [[segment[0][0] for segment in collection.get_segments()] for collection in marks.collections]
    assert events == [list(TAPS), [0.9]]
    assert max(abs(np.nan_to_num(wave.lines[0].get_ydata()))) == pytest.approx(0.5, abs=0.02)


def test_a_long_name_is_shortened_in_its_middle_so_that_what_follows_fits(recording: Recording) -> None:
    name = "left_" + 80 * "m" + "_take_017.wav"  # m is the widest letter
    named = replace(recording, vehicle="", position="", scene="", source=name)
    for axes, end in (
        (plot_detections(named, NOTHING, name="ring-following"), " · ring-following"),
        (plot_health(named, check_health(named))[0], ": no faults found"),
    ):
        title = axes.get_title(loc="left")
        assert title.startswith("left_m")
        assert title.endswith(f"_take_017.wav{end}")
        assert "…" in title


def test_lanes_without_marks_say_none(recording: Recording) -> None:
    [marks] = plot_detections(replace(recording, labels=()), NOTHING).child_axes
    assert [(text.get_text(), text.get_position()[1]) for text in marks.texts] == [("none", row) for row in (3, 2, 1)]
    [marks] = plot_detections(replace(recording, labels=None)).child_axes  # neither labelled nor looked for
    assert not marks.texts


def test_detect_names_the_channel_that_it_draws_of_several(recording: Recording, tmp_path: Path) -> None:
    wav = tmp_path / "knock.wav"
    for channels, count in ((2, 1), (1, 0)):
        write_wav(wav, [recording.samples] * channels, FS, full_scale_v=4.0)
        options = ["--full-scale-v", "4", "--channel", str(channels - 1), "--plot", str(tmp_path / "a.svg"), "--force"]
        assert main(["detect", str(wav), *options]) == 0
        assert (tmp_path / "a.svg").read_text(encoding="utf-8").count("knock channel 1") == count


def test_a_figure_carries_the_title_it_is_given(recording: Recording) -> None:
    name, health = "crane-quiet-nail frame", check_health(recording)
    for figure in (
        plot_detections(recording, title=name),
        plot_health(recording, health, title=name),
        plot_ringdown(compute_ringdown(recording), title=name),
        plot_spectrogram(recording, title=name),
    ):
        assert name in texts(figure)


def test_health_shades_gaps_from_end_to_end(recording: Recording) -> None:
    holed = Recording(recording.samples, FS, gaps=(Gap(3000, 2.0), Gap(4000, 1.0)))
    wave = plot_health(holed, check_health(holed))[0]
    spans = [(patch.get_x(), patch.get_x() + patch.get_width()) for patch in wave.patches]
    assert spans == [pytest.approx((1.5, 3.5)), pytest.approx((4.0, 5.0))]
    assert wave.get_xlim() == pytest.approx((0.0, holed.span_s))


def test_no_line_crosses_a_gap(recording: Recording) -> None:
    holed = Recording(recording.samples, FS, gaps=(Gap(3000, 2.0),))
    line = plot_detections(holed).lines[0]
    assert np.isnan(line.get_ydata()).sum() == 1
    assert line.get_xdata()[-1] == pytest.approx(5.0, abs=1e-3)


def test_spectrogram_puts_each_stretch_at_its_time(recording: Recording) -> None:
    holed = Recording(recording.samples, FS, gaps=(Gap(3000, 20.0),))
    axes = plot_spectrogram(holed)
    [image] = axes.images
    columns = np.flatnonzero(~np.ma.getmaskarray(image.get_array()).all(axis=0)) * holed.span_s / image.get_size()[1]
    after = int(np.argmax(np.diff(columns)))
    spans = [(columns[0], columns[after]), (columns[after + 1], columns[-1])]
    begin = 3000 / FS + 20.0
    assert spans[0][1] < spans[1][0]
    assert spans[1][0] == pytest.approx(begin, abs=0.1)
    assert axes.get_xlim() == pytest.approx((0.0, holed.span_s))


def test_a_long_waveform_keeps_its_extremes(recording: Recording) -> None:
    samples = np.zeros(500_000)
    samples[123_457] = 1.0
    line = plot_detections(Recording(samples, FS)).lines[0]
    assert line.get_ydata().size <= 20_000
    assert line.get_ydata().max() == 1.0


def test_spectrogram_marks_each_mode_once(recording: Recording) -> None:
    axes = plot_spectrogram(recording, modes=[140.0, 143.0, 900.0], highest_hz=500.0)
    marked = [text for text in axes.texts if text.get_text().endswith("Hz")]
    assert [text.get_text() for text in marked] == ["140 Hz", "143 Hz"]
    heights = [text.get_position()[1] for text in marked]
    assert heights[1] - heights[0] > 0.04 * axes.get_ylim()[1]  # side by side, not one over the other
    with pytest.raises(ParameterError, match="too few"):
        plot_spectrogram(Recording(np.zeros(20), FS))


def test_ringdown_shows_every_tap_and_the_dominant_modes(recording: Recording) -> None:
    result = compute_ringdown(recording)
    figure = plot_ringdown(result)
    assert "140 Hz: T60 0.41 s" in texts(figure)  # 3 ln 10 · 0.06 s
    assert "energy left, 3 taps" in texts(figure)


def test_ringdown_draws_the_mode_that_rings_longest_however_weak(recording: Recording) -> None:
    modes = tuple(Mode(100.0 * k, 0.01 if k < 6 else 1e-3, 1.0, 0.3 - 0.04 * k) for k in range(1, 7))
    words = texts(plot_ringdown(replace(compute_ringdown(recording), modes=modes)))
    assert all(f"{mode} Hz: T60" in words for mode in (100, 200, 300, 600))
    assert "400 Hz: T60" not in words


def test_the_map_names_its_room_and_says_where_there_is_none(recording: Recording) -> None:
    found = compute_dead_time_map(recording)
    assert f"each of 3 taps once: {found.operating_area_db_ms:.0f} dB × ms" in texts(plot_dead_time(found, title="a"))
    full = np.ones((3, 4), dtype=np.int64)
    none = DeadTimeMap(np.array([-3.0, -2.0, -1.0]), np.array([0.1, 0.2, 0.3, 0.4]), full, full, 7, 0.01, 0.05)
    figure = plot_dead_time(none)
    row, column = none.best_cell
    fewest = f"fewest errors: {none.missed[row, column] + none.extra[row, column]}, at {none.best_threshold_v:.3g} V"
    assert f"no setting counts all 7 taps exactly once {fewest}" in texts(figure)
    [mark] = [line for line in figure.lines if line.get_marker() == "o"]
    assert (mark.get_xdata()[0], mark.get_ydata()[0]) == (1e3 * none.best_dead_time_s, none.thresholds_db[row])


def test_causes_bars_add_up_to_all_errors() -> None:
    errors = [ErrorCause("false", f"cause {k % 20}", 1.0, 0, 0, position="ab"[k % 2]) for k in range(60)]
    errors += [ErrorCause("miss", "too weak", 2.0, 0, 0, position="a")] * 5
    figure = plot_causes(CauseTable("mine", tuple(errors), 10, 5, 60.0))
    assert sum(patch.get_width() for patch in figure.patches) == 65
    assert "other causes" in texts(figure)
    assert "miss: too weak" in texts(figure)
    nothing = texts(plot_causes(CauseTable("mine", (), 0, 0, 1.0)))
    assert "0 of 0 taps" in nothing
    assert "no errors" in nothing
    # A position keeps its colour, whichever of the others have errors.
    only_b = plot_causes(CauseTable("mine", tuple(errors[1:60:2]), 10, 5, 60.0), positions=["a", "b", "c"])
    every = plot_causes(CauseTable("mine", tuple(errors), 10, 5, 60.0), positions=["a", "b", "c"])
    for axes in (only_b, every):
        assert axes.get_legend_handles_labels()[1] == ["a", "b", "c"]
    colours = [[bars[0].get_facecolor() for bars in axes.containers] for axes in (only_b, every)]  # type: ignore[index]
    assert colours[0] == colours[1]
    # Relative luminance by WCAG 2.1, of values in sRGB: all are visible on white.
    for red, green, blue, _ in colours[0]:
        linear = [((c + 0.055) / 1.055) ** 2.4 if c > 0.04045 else c / 12.92 for c in (red, green, blue)]
        assert np.dot([0.2126, 0.7152, 0.0722], linear) < 0.7
    alone = plot_causes(CauseTable("mine", (ErrorCause("miss", "too weak", 2.0, 0, 0),), 10, 9, 60.0))
    assert alone.get_legend() is None


def test_notes_and_legend_of_health_do_not_lie_over_one_another(recording: Recording) -> None:
    findings = [HealthFinding(code, "warning", "", "", first_s=1.0 + 0.001 * k) for k, code in enumerate("abcd")]
    axes = plot_health(recording, replace(check_health(recording), findings=tuple(findings)))[0]
    axes.figure.canvas.draw()
    boxes = sorted((box.y0, box.y1) for box in map(Text.get_window_extent, axes.texts))  # words without arrows
    assert len(boxes) == 4
    assert all(below[1] <= above[0] for below, above in pairwise(boxes))
    assert axes.get_legend().get_window_extent().y0 >= axes.get_window_extent().y1 - 6


def test_features_are_ranked_by_how_well_they_tell_taps() -> None:
    rng = np.random.default_rng(0)
    is_tap = np.arange(400) < 100
    features = {
        "noise": rng.standard_normal(400),
        "good": is_tap * 3.0 + rng.standard_normal(400),
        "constant": np.ones(400),
        "empty": np.full(400, np.nan),
    }
    panels = plot_features(features, is_tap)
    assert panels[0].get_title(loc="left").startswith("good\nAUC 0.9")
    # AUC of two unit normals 3 apart is Φ(3/√2) = 0.983 (closed form).
    assert float(panels[0].get_title(loc="left").split()[-1]) == pytest.approx(0.983, abs=0.015)
    assert {"100 taps", "300 others"} <= set(panels[0].get_legend_handles_labels()[1])
    words = texts(panels)
    assert words.count("share of group") == len(panels)
    assert "AUC: how often a tap" in words
    shares = [patch.get_height() for patch in panels[0].patches if isinstance(patch, Rectangle)]
    assert sum(shares) == pytest.approx(1.0)  # of the others, with those beyond both edges
    with pytest.raises(ParameterError, match="to compare"):
        plot_features(features, np.ones(400, dtype=bool))


def test_health_names_findings_and_draws_hum(recording: Recording) -> None:
    time_s = np.arange(recording.samples.size) / FS
    hum = Recording(recording.samples + 0.03 * np.sin(2 * np.pi * 50 * time_s), FS, range_v=(0.0, 3.3), adc_bits=12)
    figure = plot_health(hum, check_health(hum))
    assert "hum at 50.0 Hz" in texts(figure)
    assert "no faults found" in texts(plot_health(recording, check_health(recording)))
    empty = Recording(np.zeros(0), FS)
    assert "too short" in texts(plot_health(empty, check_health(empty)))


def test_every_plot_draws_on_the_axes_given_and_returns_them(recording: Recording, digit: Recording) -> None:
    figure = Figure()
    axes = figure.subplots(3, 2).ravel()
    [entry] = tapsig.decode(digit, code="3", decoder="evidence")
    assert plot_entry(entry, (3,), ax=axes[4]) is axes[4]  # type: ignore[arg-type]
    assert plot_detections(recording, ax=axes[0]) is axes[0]
    assert plot_spectrogram(recording, ax=axes[1]) is axes[1]
    assert plot_dead_time(compute_dead_time_map(recording), ax=axes[2]) is axes[2]
    assert plot_causes(CauseTable("mine", (), 0, 0, 1.0), ax=axes[3]) is axes[3]
    words = texts(figure)
    assert all(part in words for part in ("no errors", "code 3", "log-odds of a tap, nats"))
    with pytest.raises(ParameterError, match="ax is a ndarray; give matplotlib axes"):
        plot_detections(recording, ax=axes)  # type: ignore[arg-type]


def test_the_picture_of_an_entry_names_only_what_it_draws_and_marks_each_candidate(digit: Recording) -> None:
    [entry] = tapsig.decode(digit, code="4-4", decoder="evidence")  # three taps cannot hold eight
    assert isinstance(entry, EvidenceEntry)
    axes = plot_entry(entry, (4, 4), start_s=10.0)
    words = texts(axes)
    assert "code 4-4" not in words
    assert "best other series" in words
    marks = [line for line in axes.lines if line.get_marker() == "|"]
    marked_s = np.concatenate([np.asarray(line.get_xdata(), dtype=np.float64) for line in marks])
    assert entry.weighed is not None
    np.testing.assert_allclose(sorted(marked_s), 10.0 + np.array(entry.weighed.onset_ms) / 1000.0)


def test_the_picture_of_an_entry_is_titled_with_the_verdict_of_the_text(
    digit: Recording, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_wav(tmp_path / "knock.wav", digit.samples, FS, full_scale_v=4.0)
    picture = str(tmp_path / "entry.svg")
    options = ("--code", "4-4", "--decoder", "evidence", "--explain", "1", "--full-scale-v", "4", "--plot", picture)
    assert main(["entry", str(tmp_path / "knock.wav"), *options]) == 0
    table, _, lines = capsys.readouterr().out.rpartition("\ncode 4-4: none")
    verdict = lines.splitlines()[-1]
    assert "  void  " in table
    assert verdict.startswith("void: ")
    assert verdict in (tmp_path / "entry.svg").read_text(encoding="utf-8")


def many_panels(recording: Recording) -> dict[str, tuple[Callable[..., Panels], int]]:
    """Each plot of several panels, and how many it needs."""
    is_tap = np.arange(40) < 10
    features = {name: is_tap + 0.1 * np.arange(40) for name in ("innovation_rise", "busy", "mine")}
    return {
        "ringdown": (partial(plot_ringdown, compute_ringdown(recording)), 2),
        "health": (partial(plot_health, recording, check_health(recording)), 2),
        "features": (partial(plot_features, features, is_tap), 3),
    }


@pytest.mark.parametrize("name", ["ringdown", "health", "features"])
def test_plots_of_several_panels_take_as_many_axes_or_a_figure_and_refuse_others(
    name: str, recording: Recording
) -> None:
    plot, count = many_panels(recording)[name]
    given = Figure().subplots(1, count)
    for ax in (given, list(given), given.reshape(count, 1)):
        drawn = plot(ax=ax, title="mine")
        assert drawn.shape == (count,)
        assert all(one is two for one, two in zip(drawn, given, strict=True))
    left, right = Figure().subfigures(1, 2)
    assert plot(ax=right)[0].get_figure(root=False) is right
    assert left.axes == []
    assert len(plot(ax=Figure())) == count
    assert find_figure(plot()) is not find_figure(plot())
    with pytest.raises(ParameterError, match=f"ax holds {count + 1} axes; {count} axes are needed"):
        plot(ax=Figure().subplots(count + 1))
    with pytest.raises(ParameterError, match="ax holds a str"):
        plot(ax=["left"] * count)
    if name != "features":  # which draws the best one on one
        with pytest.raises(ParameterError, match="ax holds 1 axes; 2 axes are needed"):
            plot(ax=Figure().subplots())


def test_panels_of_features_say_what_they_measure_and_in_what_unit(recording: Recording) -> None:
    plot, _ = many_panels(recording)["features"]
    panels = {panel.get_title(loc="left").replace("\n", " ").split(" AUC")[0]: panel for panel in plot()}
    rise = panels["peak of the prediction error over the highest of the 28 ms before"]
    assert rise.get_xlabel() == "dB"
    assert not [words for words in panels if "innovation_rise" in words]


def test_pyplot_shows_what_is_drawn_where_it_is_in_use(recording: Recording) -> None:
    program = (
        "import numpy as np, tapsig; r = tapsig.Recording(np.zeros(4000), 2000.0); tapsig.plot_detections(r)\n"
        "import sys; assert 'matplotlib.pyplot' not in sys.modules\n"
        "import matplotlib.pyplot as plt; ax = tapsig.plot_detections(r); assert plt.get_fignums() == [1]\n"
        "assert plt.gcf() is ax.figure"
    )
    subprocess.run([sys.executable, "-c", program], check=True, env={**os.environ, "MPLBACKEND": "agg"})


def test_the_envelope_is_a_line_above_the_waveform_not_a_band_over_it(recording: Recording) -> None:
    axes = plot_detections(recording)
    wave, envelope = axes.lines[:2]
    assert envelope.get_ydata().size <= 1200
    turns = np.count_nonzero(np.diff(np.sign(np.diff(envelope.get_ydata()))))
    assert turns < 0.7 * envelope.get_ydata().size  # a line through lowest and highest in turn turns at every point
    assert envelope.get_ydata().max() > 0.5 * np.nanmax(wave.get_ydata())


def test_frequencies_stand_at_their_octaves(recording: Recording) -> None:
    axes = plot_spectrogram(recording)
    places = {text.get_text(): tick for tick, text in zip(axes.get_yticks(), axes.get_yticklabels(), strict=True)}
    assert places["250"] - places["125"] == pytest.approx(1.0)
    rows, columns = axes.images[0].get_size()
    level = np.asarray(axes.images[0].get_array())[:, round(columns * 0.55 / recording.span_s)]
    low, high = axes.images[0].get_extent()[2:]
    loudest = low + (int(np.argmax(level)) + 0.5) / rows * (high - low)
    assert loudest == pytest.approx(places["125"] + np.log2(140 / 125), abs=0.1)  # the recording rings at 140 Hz
