"""The page of `tapsig report`: what stands on it, in which order, and that nothing of a recording can run on it."""

import base64
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from tapsig.cli import main
from tapsig.detectors.fixed_threshold import FixedThreshold
from tapsig.loading import load_corpus, write_wav
from tapsig.records import Label, Recording
from tapsig.report.page import CAUTIONS
from tapsig.report.panel_figures import plot_dead_time
from tapsig.report.report_page import render_recording_page
from tapsig.report.timeline import _mark_modes, draw_timeline, format_time, list_time_ticks
from tapsig.summary.recording import RecordingSummary, summarise_recording
from tests.fakes import DEMO, ROOT, ring_down
from tests.report.reader import Reader

FS = 2000.0
TAPS = (0.5, 1.3, 2.1, 2.6)
EVIL = "</script><script>alert(1)</script>\" onload='x' &"
SCRIPT = re.compile(r"<script[^>]*>(.*?)</script>", re.DOTALL)
ORDER = (
    "What the recording is, and what is wrong with it",
    "Waveform and detections",
    "How the panel rings, and why that defeats a plain threshold",
    "Operating area of a plain threshold",
    "Taps and entries",
    "Errors: causes and remedies",
    "What to record next",
    "Method",
    "Limits",
    "Cautions",
)


def make(**changes: object) -> Recording:
    rng = np.random.default_rng(0)
    time_s = np.arange(int(4 * FS)) / FS
    samples = 1.6 + 2e-3 * rng.standard_normal(time_s.size)
    for tap in TAPS:
        samples += 0.5 * ring_down(time_s, tap, 140.0, 0.69)
    labels = (*map(Label, TAPS), Label(0.9, "slam"))
    recording = Recording(samples, FS, labels, "frame", "heron", "quiet", range_v=(0.0, 3.3), adc_bits=12)
    return replace(recording, **changes)  # type: ignore[arg-type]


def summarise(recording: Recording, **options: object) -> RecordingSummary:
    variants = {"fixed-threshold": FixedThreshold(0.1, 0.05)}
    return summarise_recording(recording, variants, **{"name": "door", **options})  # type: ignore[arg-type]


def render(summary: RecordingSummary) -> str:
    return render_recording_page(summary, command="tapsig report", steps=["more taps"], window_s=0.05)


def headings(page: str) -> list[str]:
    return re.findall(r"<h2[^>]*>(.*?)</h2>", page)


def test_the_page_goes_from_what_is_wrong_to_what_to_record_next() -> None:
    assert tuple(headings(render(summarise(make())))) == ORDER


def test_the_cautions_are_those_of_the_readme() -> None:
    readme = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split())
    for caution in CAUTIONS:
        assert caution in readme


def test_without_labels_nothing_is_called_right_or_wrong_and_the_way_to_labels_is_shown() -> None:
    page = render(summarise(make(labels=None)))
    assert "tapsig propose" in page
    assert 'class="key missed"' not in page
    assert 'class="key false"' not in page
    assert "Operating area of a plain threshold" not in headings(page)
    assert "Errors: causes and remedies" not in headings(page)
    assert f"detects {len(summarise(make(labels=None)).last.found_s)} taps" in page


def test_labelled_as_without_taps_is_not_the_same_as_unlabelled() -> None:
    page = render(summarise(make(labels=())))
    assert "tapsig propose" not in page
    assert "Errors: causes and remedies" in headings(page)


def test_ringing_after_false_detections_says_nothing_of_a_dead_time() -> None:
    """The same four hits, labelled as rain: no tap's ringing is there to outlast."""
    rain = make(labels=tuple(Label(tap, "rain") for tap in TAPS))
    page, unlabelled = render(summarise(rain)), render(summarise(make(labels=None)))
    for words in ("6 dB under the weakest tap, the ringing", "taps found by fixed-threshold</caption>"):
        assert words in unlabelled
        assert words not in page
    assert "there are too few taps to see how the panel rings" in page
    assert "Strongest modes, from false detections of fixed-threshold" in page
    assert page.count('<td colspan="3">none</td>') == 1  # entries, from the labelled taps


def test_simulated_recordings_are_called_simulated() -> None:
    assert "simulated: computed from physics" in render(summarise(make(), simulated=True))
    assert "computed from physics" not in render(summarise(make()))


def test_names_and_kinds_are_shown_not_run() -> None:
    page = render(summarise(make(position=EVIL, source=EVIL, labels=(Label(0.5), Label(0.9, EVIL))), name=EVIL))
    scripts = SCRIPT.findall(page)
    assert len(scripts) == 2
    assert json.loads(scripts[0])["lanes"][0] == [[0.5], [0.9]]
    [digest] = re.findall(r"script-src 'sha256-([^']+)'", page)
    assert base64.b64encode(hashlib.sha256(scripts[1].encode()).digest()).decode() == digest
    attributes = [name for _, attrs in Reader(page).elements for name in attrs]
    assert len(attributes) > 100
    assert not [name for name in attributes if name.startswith("on")]


def test_the_page_needs_nothing_from_outside() -> None:
    page = render(summarise(make()))
    assert not re.search(r"url\(|@import|https?://", page)
    assert set(re.findall(r"(?:src|href)=\"(.{5})", page)) <= {"data:"}


def test_the_data_for_zooming_are_the_samples() -> None:
    recording = make()
    summary = summarise(recording)
    data = json.loads(SCRIPT.findall(draw_timeline(summary))[0])
    steps = np.frombuffer(base64.b64decode(data["low"]), "<i2").astype(float)
    volts = steps / 32767.0 * data["peak"]
    expected = recording.samples - np.median(recording.samples)
    np.testing.assert_allclose(volts, expected, atol=0.6 * np.abs(expected).max() / 32767)
    assert data["high"] is None
    assert data["errors"] == sorted([*summary.last.missed_s.round(4), *summary.last.false_s.round(4)])


def test_marks_lie_where_their_times_are() -> None:
    line = draw_timeline(summarise(make()))
    [path] = re.findall(r'<path class="label" d="([^"]*)"', line)
    places = [float(x) for x in re.findall(r"M([\d.]+) ", path)]
    assert places == pytest.approx([250 * tap for tap in TAPS], abs=0.06)  # 1000 units for 4 s
    assert json.loads(SCRIPT.findall(line)[0])["lanes"][0] == [list(TAPS), [0.9]]


@pytest.mark.parametrize(("begin_s", "end_s"), [(0.0, 4.0), (0.0, 0.012), (3599.0, 3661.0), (0.0, 21600.0), (7.0, 7.5)])
def test_time_ticks_are_few_round_and_in_place(begin_s: float, end_s: float) -> None:
    ticks = list_time_ticks(begin_s, end_s)
    assert 2 <= len(ticks) <= 8
    for tick in ticks:
        time = begin_s + float(tick.place.rstrip("%")) / 100 * (end_s - begin_s)
        assert begin_s - 1e-9 <= time <= end_s + 1e-9
        said = sum(60.0**k * float(part) for k, part in enumerate(reversed(tick.words.removesuffix(" s").split(":"))))
        assert said == pytest.approx(time, abs=1e-4 * (end_s - begin_s))  # places have two decimals of a per cent
        assert tick.words == format_time(said)


def test_the_map_on_the_page_is_that_of_the_figure_in_words_too() -> None:
    summary = summarise(make())
    found = summary.plain
    assert found is not None
    [(words, data)] = re.findall(r'<img alt="([^"]+)" src="data:image/svg\+xml;base64,([^"]+)"', render(summary))
    assert f"threshold {found.best_threshold_v:.3g} V, dead time {1e3 * found.best_dead_time_s:.0f} ms" in words
    svg = ElementTree.fromstring(base64.b64decode(data))
    texts = [element.text for element in svg.iter("{http://www.w3.org/2000/svg}text")]
    assert plot_dead_time(found).get_title(loc="left") in texts
    assert render(summary) == render(summary)


def test_the_command_reports_on_a_file_a_part_and_a_corpus(tmp_path: Path) -> None:
    entry = load_corpus(DEMO).select(vehicle="crane", scene="rain", position="frame").entries[0]
    assert entry.labels_path is not None
    reading = ["--channel", str(entry.channel), "--full-scale-v", "2.5", "--labels", str(entry.labels_path)]
    call = ["report", str(entry.path), *reading, "--detector", "fixed-threshold"]
    whole, part, corpus = tmp_path / "whole.html", tmp_path / "part.html", tmp_path / "corpus.html"
    assert main([*call, "--out", str(whole)]) == 0
    assert "simulated: computed from physics" in whole.read_text()  # the manifest beside it says so
    assert main([*call, "--from", "2.5", "--to", "5", "--out", str(part)]) == 0
    assert "2.5 s to 5 s" in part.read_text()
    choice = ["--vehicle", "crane", "--scene", "rain", "--detector", "fixed-threshold"]
    assert main(["report", str(DEMO), *choice, "--out", str(corpus)]) == 0
    page = corpus.read_text()
    for words in ("Which position", "inner-skin", "frame", "What to record next", "simulated: computed from physics"):
        assert words in page
    assert max(len(path.read_bytes()) for path in (whole, part, corpus)) < 5e6
    assert main([*call, "--out", str(whole)]) == 2  # it exists
    assert main([*call, "--out", str(tmp_path / "a.txt")]) == 2
    assert main([*call, "--from", "99", "--out", str(tmp_path / "b.html")]) == 1
    assert main(["report", str(DEMO), *choice, "--from", "1", "--out", str(tmp_path / "c.html")]) == 2


def test_hours_fit_on_a_page(tmp_path: Path) -> None:
    second = 0.01 * np.random.default_rng(0).standard_normal(1000)
    write_wav(tmp_path / "night.wav", np.tile(second, 3 * 3600), 1000, full_scale_v=1.0)
    call = ["report", str(tmp_path / "night.wav"), "--detector", "fixed-threshold", "--out", str(tmp_path / "n.html")]
    assert main(call) == 0
    page = (tmp_path / "n.html").read_text()
    assert len(page) < 2e6
    assert "3:00:00" in page
    assert "The recording is long" in page


def test_labels_beside_a_long_file_and_its_channel_are_taken_and_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    write_wav(tmp_path / "door.wav", [make().samples - 1.6, make().samples], FS, full_scale_v=4.0)
    (tmp_path / "door.labels.csv").write_text("onset_s,kind\n" + "".join(f"{tap},tap\n" for tap in TAPS))
    monkeypatch.setattr("tapsig.loading.parts.LARGE_SAMPLES", 1000)
    monkeypatch.setattr("tapsig.summary.parts.LARGE_SAMPLES", 1000)
    call = [str(tmp_path / "door.wav"), "--out"]
    assert main(["report", *call, str(tmp_path / "page.html"), "--detector", "fixed-threshold"]) == 0
    page, said = (tmp_path / "page.html").read_text(), capsys.readouterr().err
    assert "4 labels taken from" in said
    assert "Of 4 labelled taps" in page
    assert "took channel 0 of the channels 0 to 1: choose another with --channel [channel-chosen]" in said
    assert page.count("took channel 0 of the channels 0 to 1") == 1


def test_the_report_on_a_corpus_reuses_what_was_detected(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    call = ["report", str(DEMO), "--vehicle", "crane", "--scene", "rain", "--detector", "fixed-threshold"]
    words = ["--cache", str(tmp_path / "kept"), "--out", str(tmp_path / "page.html")]
    assert main([*call, *words]) == 0
    first = (tmp_path / "page.html").read_text()
    assert any((tmp_path / "kept").rglob("*"))
    monkeypatch.setattr("tapsig.scoring.outcomes.run_detector", None)  # it must not be used again
    assert main([*call, *words, "--force"]) == 0
    assert (tmp_path / "page.html").read_text() == first
    recording = str(DEMO / "recordings" / "crane-rain.wav")
    assert main(["report", recording, *words, "--force"]) == 2
    assert "--cache stores the detections in a corpus" in capsys.readouterr().err


def test_the_other_position_of_a_file_rings_beside_it(tmp_path: Path) -> None:
    recording = str(DEMO / "recordings" / "crane-rain.wav")
    out = tmp_path / "page.html"
    reading = ["--channel", "2", "--labels", str(DEMO / "labels" / "crane-rain.csv")]
    assert main(["report", recording, *reading, "--detector", "fixed-threshold", "--out", str(out)]) == 0
    page = out.read_text(encoding="utf-8")
    section = page[page.index("How the panel rings") : page.index("Taps and entries")]
    for position in ("inner-skin", "frame"):
        assert f"On the {position}, " in section
        assert f"Errors by threshold and dead time, {position}" in section
    assert page.count('class="timeline"') == 1  # the waveform of the one asked for


def test_a_file_of_a_corpus_has_the_labels_and_positions_of_its_manifest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    recording = DEMO / "recordings" / "crane-quiet.wav"
    [entry] = [one for one in load_corpus(DEMO).entries if one.path.samefile(recording) and one.channel == 0]
    assert entry.labels_path is not None
    out = tmp_path / "page.html"
    assert main(["report", str(recording), "--full-scale-v", "2.5", "--to", "8", "--out", str(out)]) == 0
    assert f"the manifest names its labels: {entry.labels_path}" in capsys.readouterr().err.replace("\n", " ")
    page = out.read_text(encoding="utf-8")
    assert "There are no labels" not in page
    assert 'class="key missed"' in page
    assert "a second position" not in page
    assert "tapsig positions FOLDER" in page


def test_labels_of_modes_lead_to_their_heights_and_stand_apart() -> None:
    """Height by the closed form of a log axis: 1 - log(f/low)/log(high/low), from the top."""
    summary = summarise(make())
    assert summary.spectrogram is not None
    low, high = summary.spectrogram.low_hz, summary.spectrogram.high_hz
    hertz = [140.0, 145.0, 150.0, 600.0]
    leaders = _mark_modes(hertz, summary.spectrogram)
    assert [leader.words for leader in leaders] == ["600 Hz", "150 Hz", "145 Hz", "140 Hz"]
    expected = [1 - np.log(f / low) / np.log(high / low) for f in reversed(hertz)]
    assert [float(leader.at[:-1]) / 100 for leader in leaders] == pytest.approx(expected, abs=1e-4)
    places = [float(leader.place[:-1]) / 100 for leader in leaders]
    assert np.diff(places).min() >= 0.09 - 2e-4
    assert places[2] == pytest.approx(np.mean(expected[1:]), abs=1e-3)  # neighbours give way both up and down
