"""Pages as files: nothing from outside, nothing that runs, every word escaped."""

import csv
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from markupsafe import Markup

from tapsig.cli import main
from tapsig.report.charts import Line, draw_intervals, draw_lines
from tapsig.report.page import Picture, Section, Table, render_page
from tapsig.report.score_page import render_score_page
from tapsig.results import format_estimate
from tapsig.scoring.criteria import Estimate
from tapsig.scoring.outcomes import Outcome, ScoreTable
from tapsig.scoring.tally import Score
from tests.fakes import DEMO
from tests.report.reader import Reader

NAMES = ("score", "positions", "variants")
EVIL = "<script>alert(1)</script>\" onload='x' &"


def test_html_in_names_is_shown_not_run() -> None:
    picture = draw_intervals(EVIL, {EVIL: Estimate(0.5, 0.4, 0.6), "b": Estimate(float("nan"))}, axis=EVIL)
    curve = Line(EVIL, np.array([0.0, 1.0]), np.array([1.0, 0.5]))
    other = Picture(EVIL, draw_lines(EVIL, [curve], x_axis=EVIL, y_axis=EVIL))
    section = Section(EVIL, [EVIL], [picture, other], [Table(EVIL, [EVIL, EVIL], [[EVIL, EVIL]])])
    texts = {name: [EVIL] for name in ("summary", "method", "limits", "cautions")}
    reader = Reader(render_page(title=EVIL, sections=[section], command=EVIL, **texts))
    assert "script" not in {tag for tag, _ in reader.elements}
    assert not any(name.startswith("on") for _, attributes in reader.elements for name in attributes)


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("pages")
    detectors = ["--detector", "fixed-threshold", "--detector", "null"]
    for name in NAMES:
        call = [name, str(DEMO), "--split", "validation", *detectors, "--cache", str(folder / "kept")]
        assert main([*call, "--out", str(folder / f"{name}.html")]) == 0
    return {name: (folder / f"{name}.html").read_text(encoding="utf-8") for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_a_page_needs_nothing_from_outside_and_runs_nothing(pages: dict[str, str], name: str) -> None:
    reader = Reader(pages[name])
    tags = {tag for tag, _ in reader.elements}
    assert not tags & {"script", "link", "iframe", "object", "embed", "img"}
    assert not any({"src", "href", "xlink:href", "data"} & set(attributes) for _, attributes in reader.elements)
    assert not re.search(r"url\(|@import|https?://", pages[name])


@pytest.mark.parametrize("name", NAMES)
def test_a_page_has_summary_tables_pictures_method_limits_command_and_versions(
    pages: dict[str, str], name: str
) -> None:
    text = pages[name]
    for part in ("summary", "<table>", "<svg", "Method", "Limits and cautions", f"tapsig {name}", "numpy "):
        assert part in text
    assert text.index('class="summary"') < text.index("<table>") < text.index("Method")


@pytest.mark.parametrize("name", NAMES)
def test_undefined_is_a_dash(pages: dict[str, str], name: str) -> None:
    assert "nan" not in re.sub(r"<style>.*?</style>", "", pages[name], flags=re.DOTALL)
    assert ">–<" in pages[name]  # precision of a detector that finds nothing


def test_a_page_that_exists_is_kept_unless_forced(tmp_path: Path) -> None:
    corpus, out = str(DEMO), tmp_path / "page.html"
    out.write_text("mine")
    call = ["score", corpus, "--split", "validation", "--detector", "null", "--out", str(out)]
    assert main(call) == 2
    assert out.read_text() == "mine"
    assert main([*call, "--force"]) == 0
    assert out.read_text().startswith("<!DOCTYPE html>")


@pytest.mark.parametrize("command", NAMES)
@pytest.mark.parametrize("kept", [None, "0", "all"])
def test_a_page_on_simulated_recordings_says_so_first(tmp_path: Path, command: str, kept: str | None) -> None:
    """The column seed of the manifest, which only simulated recordings have: all, all but one vehicle's, none."""
    folder = tmp_path / "corpus"
    shutil.copytree(DEMO, folder)
    manifest = folder / "corpus.csv"
    with manifest.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    rows = [row for row in rows if row["scene"] == "quiet"]
    for number, row in enumerate(rows):
        row["seed"] = row["seed"] if kept == "all" or (kept == "0" and number) else ""
    with manifest.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    out = tmp_path / "page.html"
    detectors = ["--detector", "fixed-threshold", "--detector", "sta-lta"]
    assert main([command, str(folder), *detectors, "--out", str(out)]) == 0
    page = " ".join(out.read_text(encoding="utf-8").split())
    [summary] = re.findall(r'class="summary">(.*?)<', page)[:1]
    beginning = {None: None, "0": f"{len(rows) - 1} of the {len(rows)} recordings are simulated", "all": "These"}[kept]
    if beginning is None:
        assert "imulated recording" not in page
        assert "recordings are simulated" not in page
    else:
        assert summary.strip().startswith(beginning)
        assert "computed from physics" in summary


@pytest.mark.parametrize(("worst", "said"), [(9, True), (10, False)])
def test_best_and_worst_are_named_only_where_they_differ(worst: int, said: bool) -> None:
    outcomes = [
        Outcome("d", "a.wav", "", position, "", Score(tp, 0, 10 - tp, 60.0), (), *map(np.array, ([], [], [])))
        for position, tp in (("frame", 10), ("skin", worst))
    ]
    page = render_score_page(ScoreTable(tuple(outcomes), 0.05), command="", corpus="")
    assert ("It does best on the frame" in page) == said


def test_dots_lie_where_their_values_are() -> None:
    svg = draw_intervals("t", {"a": Estimate(0.0), "b": Estimate(0.5), "c": Estimate(1.0)}, axis="x").svg
    x = [float(value) for value in re.findall(r'class="dot" cx="([\d.]+)"', svg)]
    assert x[1] - x[0] == pytest.approx(x[2] - x[1], abs=0.11)
    ticks = {
        tick: float(place)
        for place, tick in re.findall(r'class="axis" text-anchor="middle" x="([\d.]+)" y="[\d.]+">([\d.]+)<', svg)
    }
    assert (ticks["0"], ticks["1"]) == pytest.approx((x[0], x[2]), abs=0.11)
    assert isinstance(svg, Markup)


def test_a_caption_names_intervals_only_where_one_is_drawn() -> None:
    estimates = {"a": Estimate(0.5)}
    assert draw_intervals("F1", estimates, axis="").caption == "F1"
    estimates["b"] = Estimate(0.5, 0.4, 0.6)
    assert draw_intervals("F1", estimates, axis="").caption == "F1, with 95 % interval"


def test_a_logarithmic_axis_gives_equal_room_to_each_decade() -> None:
    line = Line("a", np.array([1.0, 10.0, 100.0]), np.array([0.0, 0.5, 1.0]))
    svg = draw_lines("t", [line], x_axis="x", y_axis="y", x_range=(1.0, 100.0), log_x=True)
    points = [tuple(map(float, p.split(","))) for p in re.findall(r'points="([^"]+)"', svg)[0].split()]
    assert points[1][0] - points[0][0] == pytest.approx(points[2][0] - points[1][0], abs=0.11)
    assert points[0][1] - points[1][1] == pytest.approx(points[1][1] - points[2][1], abs=0.11)


def test_intervals_below_zero_are_written_so_that_the_sign_shows() -> None:
    assert format_estimate(0.003, -0.031, 0.038, digits=3) == "0.003 (−0.031 to 0.038)"


def test_the_edge_of_a_log_axis_is_named_and_no_tick_is_drawn_over_its_name() -> None:
    """Recordings of 1/28 h cannot show a rate under 28 an hour: 0 false alarms stand at the edge."""
    line = Line("d", np.array([0.0, 1000.0]), np.array([0.5, 1.0]))
    svg = draw_lines("t", [line], x_axis="x", y_axis="y", x_range=(28.0, 1e4), log_x=True, edge="0 (none; < 28)")
    [(place, words)] = re.findall(r'x="([\d.]+)" y="[\d.]+">(0 \(none; [^<]*)<', svg)
    [points] = re.findall(r'<polyline[^>]* points="([^"]*)"', svg)
    assert float(place) < float(points.split(",")[0])
    assert words == "0 (none; &lt; 28)"
    ticks = [float(x) for x, power in re.findall(r'x="([\d.]+)" y="[\d.]+">(100|1000|10000)<', svg)]
    assert ticks
    assert min(ticks) - float(points.split(",")[0]) > 75


def test_cells_of_sentences_carry_their_heading_for_narrow_screens_and_empty_ones_are_marked() -> None:
    table = Table("Faults", ["how bad", "what", "first at"], [["note", EVIL, "–"]], prose=True)
    sections = [Section("heading", tables=[table])]
    page = render_page(title="title", summary=[], sections=sections, method=[], limits=[], command="tapsig")
    cells = [attributes for tag, attributes in Reader(page).elements if tag == "td"]
    assert cells == [{"data-label": "what"}, {"data-label": "first at", "class": "none"}]
