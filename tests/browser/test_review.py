"""The review page in a real browser: what a person does with mouse and keys ends in the label file that is expected."""

import json
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from chromium import open_browser
from tapsig.cli import main
from tapsig.errors import LabelError, ParameterError
from tapsig.labelling.agreement import compare_labels
from tapsig.loading.labels import load_labels, load_proposals
from tapsig.loading.wav_writing import write_wav
from tapsig.records import Gap, Label, Recording
from tapsig.report.review import build_page
from tapsig.report.serving import ReviewServer, save_label_text
from tapsig.simulation import simulate_scene

pytestmark = pytest.mark.browser

FS = 2000.0
ONSETS = (1.0, 2.0, 3.5, 5.0)


@pytest.fixture(scope="module")
def downloads(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("downloads")


@pytest.fixture(scope="module")
def browser(downloads: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    driver = open_browser(tmp_path_factory.mktemp("profile"), window="1400,1200", downloads=downloads)
    yield driver
    driver.quit()


def ringing() -> Recording:
    t = np.arange(int(6 * FS)) / FS
    volts = 0.001 * np.random.default_rng(1).standard_normal(t.size)
    for onset in ONSETS:
        since = np.maximum(t - onset, 0.0)
        volts += 0.5 * np.exp(-12 * since) * np.sin(2 * np.pi * 120 * since)
    return Recording(volts, FS)


MARKS = {Label(1.0): 0.97, Label(2.01): 0.6, Label(2.7, "unsure"): 0.2, Label(5.0, "thump"): None}


class Page:
    """One open review page, and the hand that works on it."""

    def __init__(self, browser: webdriver.Chrome, downloads: Path) -> None:
        self.browser, self.downloads = browser, downloads

    def open(self, url: str) -> "Page":
        self.browser.get(url)
        self.wait(lambda: self.run("return document.documentElement.dataset.ready") == "yes")
        self.settle()
        return self

    def wait(self, done: Callable[[], object]) -> None:
        for _ in range(200):
            if done():
                return
            time.sleep(0.05)
        raise AssertionError("the page did not get there within 10 s")

    def settle(self) -> None:
        """Until the frames that were asked for are drawn."""
        self.browser.execute_async_script(
            "const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(() => done()));"
        )

    def run(self, script: str, *args: object) -> object:
        return self.browser.execute_script(script, *args)

    def keys(self, *keys: str) -> "Page":
        for key in keys:
            ActionChains(self.browser).send_keys(key).perform()
            self.settle()
        return self

    def text(self, name: str) -> str:
        return self.browser.find_element(By.ID, name).text

    def rows(self) -> list[tuple[float, str]]:
        """(onset, kind) of the listed marks; all of them while there are at most nine."""
        rows = self.browser.find_elements(By.CSS_SELECTOR, "#rows tr")
        cells = [[cell.text for cell in row.find_elements(By.TAG_NAME, "td")] for row in rows]
        return [(float(cell[1]), cell[2]) for cell in cells]

    def x_of(self, seconds: float) -> float:
        """Where on the waveform that time is, from the range that the page states."""
        first, last = (float(word) for word in self.text("range").removesuffix(" s").split(" to "))
        wide = self.run("return document.getElementById('wave').clientWidth")
        return 54 + (seconds - first) / (last - first) * (wide - 54)  # 54 px: the scale at the left

    def mouse(self, seconds: float, y: int = 100) -> ActionChains:
        """The mouse put on the waveform at that time."""
        wave = self.browser.find_element(By.ID, "wave")
        middle = [self.run(f"return arguments[0].client{side} / 2", wave) for side in ("Width", "Height")]
        offset = (round(self.x_of(seconds) - middle[0]), round(y - middle[1]))
        return ActionChains(self.browser).move_to_element_with_offset(wave, *offset)

    def save(self) -> str:
        """Text of the label file that the page hands to the downloads."""
        for old in self.downloads.iterdir():
            old.unlink()
        self.keys("w")
        self.wait(lambda: [path for path in self.downloads.iterdir() if path.suffix == ".csv"])
        (path,) = self.downloads.iterdir()
        return path.read_text(encoding="utf-8")


@pytest.fixture
def open_page(browser: webdriver.Chrome, downloads: Path, tmp_path: Path) -> Callable[..., Page]:
    """Opens the review page of `ringing` from disk; what it takes goes to `build_page`."""

    def open_page(marks: Mapping[Label, float | None], *, name: str = "log.wav", **options: Any) -> Page:
        path = tmp_path / "page.html"
        path.write_text(build_page(ringing(), marks, name=name, **options), encoding="utf-8")
        return Page(browser, downloads).open(path.as_uri())

    return open_page


@pytest.fixture
def page(browser: webdriver.Chrome, open_page: Callable[..., Page]) -> Iterator[Page]:
    browser.get_log("browser")
    yield open_page(MARKS, targets_s=ONSETS)
    assert browser.get_log("browser") == []  # no error, no blocked request, nothing fetched


def test_the_page_works_from_disk_and_starts_at_the_first_doubtful_mark(page: Page) -> None:
    assert page.rows() == [(1.0, "tap"), (2.01, "tap"), (2.7, "unsure"), (5.0, "thump")]
    assert page.text("tally") == "2 taps, 2 others, 2 doubtful"
    assert page.text("current").startswith("2.0100 s tap; 60 % sure of a tap; mark 2 of 4")


def test_one_key_a_doubtful_mark_and_the_saved_file_is_the_expected_one(page: Page) -> None:
    page.keys("s", "n", "d")  # snap the first (which decides it), step to the second, delete it
    assert page.save() == "onset_s,kind,confidence\n1,tap,0.97\n2,tap,\n5,thump,\n"
    assert "0 doubtful" in page.text("tally")
    assert "not saved" not in page.text("tally")


def test_enter_accepts_and_moves_on_to_the_next_doubtful_mark(page: Page) -> None:
    page.keys(Keys.ENTER)
    assert page.text("current").startswith("2.7000 s unsure")
    page.keys("t")
    assert "That was the last doubtful one" in page.text("message")
    assert page.rows() == [(1.0, "tap"), (2.01, "tap"), (2.7, "tap"), (5.0, "thump")]


def test_a_tap_is_added_by_key_snapped_or_not(page: Page) -> None:
    page.keys(Keys.HOME, *[Keys.ARROW_RIGHT] * 11)  # 11 fiftieths of 4 s: 0.88 s
    page.keys("A")
    assert (0.88, "tap") in page.rows()
    page.keys(Keys.END, *[Keys.ARROW_LEFT] * 31)  # 6 s − 31/50 of 4 s is 3.52 s, 20 ms from a target
    page.keys("a")
    assert (3.5, "tap") in page.rows()


def test_a_tap_is_added_by_a_double_click_snapped_to_the_onset(page: Page) -> None:
    page.mouse(3.515).double_click().perform()
    page.settle()
    assert (3.5, "tap") in page.rows()


def test_away_from_targets_a_mark_snaps_to_the_sharpest_rise(open_page: Callable[..., Page]) -> None:
    page = open_page({})
    page.mouse(3.51).double_click().perform()
    page.settle()
    ((onset, kind),) = page.rows()
    assert kind == "tap"
    assert abs(onset - 3.5) <= 0.002


def test_a_flag_is_dragged_to_another_time(page: Page) -> None:
    goal = 2.4
    reach = round(page.x_of(goal) - page.x_of(2.01))
    page.mouse(2.01, y=10).click_and_hold().move_by_offset(reach // 2, 0).move_by_offset(
        reach - reach // 2, 0
    ).release().perform()
    page.settle()
    ((moved, kind),) = [row for row in page.rows() if 2.1 < row[0] < 2.6]
    assert kind == "tap"
    assert abs(moved - goal) < 0.01  # 4 s over some 800 pixels: two pixels


def test_a_mark_is_moved_by_keys_by_a_millisecond_and_to_the_cursor(page: Page) -> None:
    page.keys("]", "]", "[")
    assert (2.011, "tap") in page.rows()
    page.mouse(2.4).click().perform()
    page.settle()
    page.keys("m")
    assert [row for row in page.rows() if abs(row[0] - 2.4) < 0.01]


def test_a_mark_is_named_by_keys_and_by_mouse(page: Page) -> None:
    page.keys("k", "s", "l", "a", "m", Keys.ENTER)
    assert (2.01, "slam") in page.rows()
    field = page.browser.find_element(By.ID, "kind")
    field.clear()
    field.send_keys("hail")
    page.browser.find_element(By.ID, "kind-set").click()
    page.settle()
    assert (2.7, "hail") in page.rows()


def test_undo_takes_back_every_change_and_redo_makes_it_again(page: Page) -> None:
    before = page.rows()
    page.keys("d", "t", Keys.HOME, "A")
    after = page.rows()
    assert after == [(0.0, "tap"), (1.0, "tap"), (2.7, "tap"), (5.0, "thump")]
    page.keys("u", "u", "u")
    assert page.rows() == before
    assert page.run("return document.querySelector('[data-key=u]').disabled") is True
    page.keys("r", "r", "r")
    assert page.rows() == after


def test_what_is_saved_is_read_back_the_same(page: Page, tmp_path: Path) -> None:
    page.keys("t")
    saved = tmp_path / "labels.csv"
    saved.write_text(page.save(), encoding="utf-8")
    again = load_proposals(saved)
    assert again == MARKS | {Label(2.01): None}
    page.browser.find_element(By.ID, "file").send_keys(str(saved))
    page.wait(lambda: page.text("message").startswith("Loaded 4 marks"))
    page.settle()
    assert page.rows() == [(mark.onset_s, mark.kind) for mark in again]


def test_a_label_file_that_does_not_fit_is_refused_with_its_line(page: Page, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.csv"
    wrong.write_text("onset_s,kind\n1,tap\n99,tap\n")
    page.browser.find_element(By.ID, "file").send_keys(str(wrong))
    page.wait(lambda: page.text("message") == "wrong.csv: line 3: onset_s is 99; the recording ends at 6.000 s")
    assert len(page.rows()) == 4


def test_the_same_mark_is_not_made_twice(page: Page) -> None:
    page.mouse(1.1).click().perform()
    page.keys("+", "+")  # near enough to point beside the flag
    page.mouse(1.03).double_click().perform()
    page.settle()
    assert "There is a mark already" in page.text("message")
    assert len(page.rows()) == 4


def test_every_action_has_its_key_on_the_page_and_every_button_is_reached_by_tab(page: Page) -> None:
    shown = {cap.text for cap in page.browser.find_elements(By.CSS_SELECTOR, "#keys kbd")}
    buttons = page.browser.find_elements(By.CSS_SELECTOR, "button[data-key]")
    assert {button.find_element(By.TAG_NAME, "kbd").text for button in buttons} <= {
        word for text in shown for word in (text, *text.split(" or "))
    }
    reached = set()
    for _ in range(len(buttons) + 10):
        ActionChains(page.browser).send_keys(Keys.TAB).perform()
        reached.add(page.run("return document.activeElement.dataset.key ?? document.activeElement.id"))
    enabled = {button.get_attribute("data-key") for button in buttons if button.is_enabled()}
    assert enabled <= reached
    assert {"kind", "keys-on"} <= reached


def test_letters_can_be_switched_off(page: Page) -> None:
    page.browser.find_element(By.ID, "keys-on").click()
    page.keys("d")
    assert len(page.rows()) == 4
    page.browser.find_element(By.CSS_SELECTOR, "[data-key=d]").click()
    page.settle()
    assert len(page.rows()) == 3


def test_what_is_out_of_sight_is_not_changed(page: Page) -> None:
    page.keys("+", "+", "+", Keys.END, "d")
    assert len(page.rows()) == 4
    assert "choose a mark first" in page.text("message")


def test_light_and_dark_are_both_drawn(page: Page) -> None:
    ground = "return getComputedStyle(document.body).backgroundColor"
    first = page.run(ground)
    page.keys("c")
    assert page.run(ground) != first


HOSTILE = '"><img src=x onerror="window.harmed=1"></script><script>window.harmed=1</script>\u2028&amp;'


def test_a_hostile_name_and_a_hostile_kind_are_shown_as_text(open_page: Callable[..., Page], tmp_path: Path) -> None:
    kind = HOSTILE.replace("\u2028", "")
    page = open_page({Label(2.0, kind): 0.5}, name=HOSTILE)
    assert page.run("return document.getElementById('name').textContent") == HOSTILE
    assert page.run("return document.querySelector('title').textContent") == "Proposed labels of " + HOSTILE
    assert page.rows() == [(2.0, kind)]
    assert page.run("return window.harmed ?? null") is None
    assert page.run("return document.images.length") == 0
    assert load_proposals(_write(tmp_path / "saved.csv", page.save())) == {Label(2.0, kind): 0.5}


def _write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


# ---------------------------------------------------------------- the page's own arithmetic against references


@pytest.mark.parametrize("count", [1, 15, 16, 17, 1000, 100_003])
def test_lowest_and_highest_of_any_stretch_are_those_of_numpy(page: Page, count: int) -> None:
    samples = np.random.default_rng(count).integers(-32000, 32000, count)
    page.run("window.heights = new Heights(Int16Array.from(arguments[0]))", samples.tolist())
    rng = np.random.default_rng(0)
    for first, last in [(0, count), *np.sort(rng.integers(0, count + 1, (20, 2)), axis=1).tolist()]:
        if first == last:
            continue
        low, high = page.run("return heights.between(arguments[0], arguments[1])", first, last)
        # A coarse column may also hold the rest of its first and last block, which is at most half of what it shows.
        slack = (last - first) // 2
        around = samples[max(0, first - slack) : last + slack]
        assert around.min() <= low <= samples[first:last].min()
        assert samples[first:last].max() <= high <= around.max()


def test_spectra_are_those_of_numpy(page: Page) -> None:
    size = 64
    samples = np.random.default_rng(2).integers(-3000, 3000, 400)
    levels = page.run(
        "const s = new Spectrum(64), l = new Float64Array(32);"
        "s.measure(Int16Array.from(arguments[0]), 200, l); return Array.from(l)",
        samples.tolist(),
    )
    window = np.hanning(size + 1)[:-1]  # the periodic Hann window
    expected = 20 * np.log10(np.abs(np.fft.rfft(samples[200 - 32 : 200 + 32] * window))[:32])
    np.testing.assert_allclose(levels, expected, atol=1e-6)


def test_times_count_gaps_as_the_recording_does(page: Page) -> None:
    gaps = (Gap(1000, 2.5), Gap(3000, 0.25))
    recording = Recording(np.zeros(5000), 1000.0, gaps=gaps)
    indices = np.array([0, 999, 1000, 2999, 3000, 4999])
    script = "const c = new Clock(1000, 5000, arguments[0]); return arguments[1].map((v) => c.%s(v))"
    pairs = [[gap.sample, gap.duration_s] for gap in gaps]
    times = page.run(script % "timeOf", pairs, indices.tolist())
    np.testing.assert_allclose(times, recording.times_s(indices), atol=1e-12)
    np.testing.assert_allclose(page.run(script % "indexOf", pairs, times), indices, atol=1e-6)
    assert page.run(script % "indexOf", pairs, [2.0]) == [1000]  # within the first gap


@pytest.mark.parametrize("kind", ["tap", 'a "quoted" word', "comma, too", "Türe;zu", "=1+1"])
def test_label_files_of_the_page_and_of_the_loader_say_the_same(page: Page, tmp_path: Path, kind: str) -> None:
    marks = [{"id": 0, "onset_s": 1.25, "kind": kind, "confidence": None}]
    text = page.run("return writeCsv(arguments[0])", marks)
    path = _write(tmp_path / "labels.csv", text)
    assert load_labels(path) == (Label(1.25, kind),)
    assert page.run("return readCsv(arguments[0], 6)[0].kind", text) == kind


# ---------------------------------------------------------------- served to this computer


@pytest.fixture
def server(tmp_path: Path) -> Iterator[ReviewServer]:
    def make_page(save_url: str) -> str:
        return build_page(ringing(), MARKS, name="log.wav", targets_s=ONSETS, save_url=save_url)

    with ReviewServer(make_page, tmp_path / "labels.csv", end_s=6.0) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server
        server.shutdown()


def test_a_served_page_saves_into_the_file_and_keeps_the_old_one(
    browser: webdriver.Chrome, downloads: Path, server: ReviewServer
) -> None:
    server.save_to.write_text("onset_s,kind\n4,tap\n")
    page = Page(browser, downloads).open(server.url)
    page.keys("t", "d", "w")
    page.wait(lambda: page.text("message").startswith("Saved"))
    assert page.text("message") == "Saved labels.csv; the file before is kept as labels.csv.1."
    assert server.save_to.read_text() == "onset_s,kind,confidence\n1,tap,0.97\n2.01,tap,\n5,thump,\n"
    assert server.save_to.with_name("labels.csv.1").read_text() == "onset_s,kind\n4,tap\n"


def ask(server: ReviewServer, path: str, *, body: bytes | None = None, **headers: str) -> tuple[int, str]:
    request = urllib.request.Request(f"http://127.0.0.1:{server.server_port}{path}", data=body, headers=headers)
    try:
        with urllib.request.urlopen(request) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode()


def test_the_server_answers_only_its_own_page(server: ReviewServer) -> None:
    token = f"/{server.token}/"
    assert ask(server, token)[0] == 200
    assert ask(server, "/")[0] == 404
    assert ask(server, "/guess/labels", body=b"onset_s,kind\n")[0] == 404
    assert ask(server, token, Host="elsewhere.example")[0] == 404
    assert ask(server, token + "labels", body=b"onset_s,kind\n", Origin="http://elsewhere.example")[0] == 404
    assert not server.save_to.exists()
    assert server.server_address[0] == "127.0.0.1"
    assert len(server.token) >= 22  # 128 bits or more


@pytest.mark.parametrize(
    "body", [b"", b"no labels", b"onset_s,kind\nx,tap\n", b"onset_s,kind\n99,tap\n", b"\xff\xfe\xff"]
)
def test_what_is_no_label_file_is_refused_and_nothing_is_written(server: ReviewServer, body: bytes) -> None:
    server.save_to.write_text("onset_s,kind\n4,tap\n")
    assert ask(server, f"/{server.token}/labels", body=body)[0] == 400
    assert server.save_to.read_text() == "onset_s,kind\n4,tap\n"
    assert [path.name for path in server.save_to.parent.iterdir()] == ["labels.csv"]


def test_every_saved_version_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "labels.csv"
    kept = [save_label_text(path, f"onset_s,kind\n{i},tap\n".encode(), end_s=9.0) for i in range(3)]
    assert kept == [None, tmp_path / "labels.csv.1", tmp_path / "labels.csv.2"]
    assert load_labels(path) == (Label(2.0),)


# ---------------------------------------------------------------- the page's source


def test_marks_outside_the_recording_are_refused() -> None:
    with pytest.raises(LabelError, match=r"ends at 6\.000 s"):
        build_page(ringing(), {Label(6.5): None}, name="log.wav")


def test_an_empty_recording_is_refused() -> None:
    with pytest.raises(ParameterError, match="holds 0 samples"):
        build_page(Recording(np.zeros(0), FS), {}, name="log.wav")


@pytest.mark.parametrize("sure", ["2", "-0.1", "nan", "much"])
def test_a_confidence_out_of_range_is_refused(tmp_path: Path, sure: str) -> None:
    path = _write(tmp_path / "labels.csv", f"onset_s,kind,confidence\n1,tap,{sure}\n")
    with pytest.raises(LabelError, match="0 to 1"):
        load_proposals(path)


def test_the_data_cannot_end_the_element_it_stands_in() -> None:
    html = build_page(ringing(), {Label(1.0, "</script>"): None}, name="</title>")
    data = html.split('id="page-data">')[1].split("</script>")[0]
    assert json.loads(data)["marks"][0]["kind"] == "</script>"
    assert html.count("</title>") == 1


# ---------------------------------------------------------------- from a raw log to a corpus that can be scored


@pytest.mark.slow
def test_a_raw_log_becomes_a_reviewed_corpus_that_is_scored(
    browser: webdriver.Chrome, downloads: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two minutes without labels; a reviewer who knows the truth presses one key for each doubtful mark."""
    simulated = simulate_scene("crane", "quiet", duration_s=120.0, fs=8000.0, seed=6, positions=("inner-skin",))
    recording = simulated.recordings["inner-skin"]
    assert recording.range_v is not None
    scale = f"{recording.range_v[1]:g}"
    log, labels, folder = tmp_path / "log.wav", tmp_path / "labels.csv", tmp_path / "mine"
    write_wav(log, recording.samples, recording.fs, full_scale_v=float(scale))

    assert main(["propose", str(log), "--full-scale-v", scale, "--out", str(labels)]) == 0
    call = ["review", str(log), "--full-scale-v", scale, "--labels", str(labels)]
    assert main([*call, "--out", str(tmp_path / "page.html")]) == 0
    page = Page(browser, downloads).open((tmp_path / "page.html").as_uri())
    doubtful = int(page.text("tally").split()[-2])
    for _ in range(doubtful):
        onset = float(page.text("current").split()[0])
        page.keys("t" if np.abs(recording.taps_s - onset).min() <= 0.02 else "d")
    assert "0 doubtful" in page.text("tally")
    labels.write_text(page.save(), encoding="utf-8")

    named = ["--vehicle", "crane", "--position", "inner-skin", "--scene", "quiet", "--split", "test"]
    assert main(["corpus", "init", str(folder)]) == 0
    call = ["corpus", "add", str(folder), str(log), *named, "--full-scale-v", scale, "--labels", str(labels)]
    assert main(call) == 0
    assert main(["corpus", "check", str(folder)]) == 0
    # Truth: the simulator's own contact times.
    agreement = compare_labels([Label(tap) for tap in recording.taps_s], load_labels(labels), window_s=0.01)
    assert agreement.f1 >= 0.99
    capsys.readouterr()
    assert main(["score", str(folder), "--detector", "fixed-threshold", "--format", "json"]) == 0
    rows = json.loads(capsys.readouterr().out)["rows"]
    assert {row["position"] for row in rows} >= {"inner-skin"}
