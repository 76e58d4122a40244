"""The page of `tapsig report` in a real browser: it zooms and pans, opens silently, and reads without a script."""

import io
import json
import re
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from PIL import Image
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from tapsig.cli import main
from tapsig.loading import load_recording
from tapsig.report.timeline import format_time
from tests.fakes import DEMO

pytestmark = pytest.mark.browser

WAV = DEMO / "recordings" / "crane-quiet.wav"


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    out = tmp_path_factory.mktemp("report") / "report.html"
    call = ["report", str(WAV), "--full-scale-v", "2.5", "--labels", str(DEMO / "labels" / "crane-quiet.csv")]
    assert main([*call, "--detector", "tap", "--detector", "fixed-threshold", "--out", str(out)]) == 0
    return out.as_uri()


@pytest.fixture
def opened(browser: webdriver.Chrome, page: str) -> Iterator[webdriver.Chrome]:
    browser.get(page)
    browser.execute_script("document.querySelector('.wave').scrollIntoView({block: 'center'})")
    yield browser
    assert browser.get_log("browser") == []  # no error, nothing blocked


def view(browser: webdriver.Chrome) -> tuple[float, float]:
    first, last = browser.execute_script(
        "const t = document.querySelector('figure.timeline').timeline; return [t.first, t.last]"
    )
    return first, last


def press(browser: webdriver.Chrome, what: str) -> None:
    browser.find_element(By.CSS_SELECTOR, f"button[data-do={what}]").click()


def test_buttons_zoom_pan_and_show_the_whole(opened: webdriver.Chrome) -> None:
    begin, end = view(opened)
    assert (begin, end) == pytest.approx((0.0, 21.4), abs=0.1)
    press(opened, "in")
    assert view(opened) == pytest.approx((0.25 * end, 0.75 * end))
    press(opened, "right")
    assert view(opened) == pytest.approx((0.375 * end, 0.875 * end))
    press(opened, "left")
    press(opened, "left")
    assert view(opened) == pytest.approx((0.125 * end, 0.625 * end))
    press(opened, "out")
    assert view(opened) == pytest.approx((0.0, end))
    press(opened, "in")
    press(opened, "whole")
    assert view(opened) == pytest.approx((0.0, end))


def test_keys_do_what_buttons_do(opened: webdriver.Chrome) -> None:
    end = view(opened)[1]
    wave = opened.find_element(By.CSS_SELECTOR, ".wave")
    wave.send_keys("++")
    assert view(opened) == pytest.approx((0.375 * end, 0.625 * end))
    wave.send_keys(Keys.ARROW_RIGHT)
    assert view(opened) == pytest.approx((0.4375 * end, 0.6875 * end))
    wave.send_keys("0")
    assert view(opened) == pytest.approx((0.0, end))


def test_dragging_moves_and_the_wheel_zooms_around_the_pointer(opened: webdriver.Chrome) -> None:
    press(opened, "in")
    first, last = view(opened)
    wave = opened.find_element(By.CSS_SELECTOR, ".wave")
    wide = wave.size["width"]
    ActionChains(opened).move_to_element(wave).click_and_hold().move_by_offset(-100, 0).release().perform()
    moved = 100 / wide * (last - first)
    assert view(opened) == pytest.approx((first + moved, last + moved), abs=0.02)
    wheel = (
        "arguments[0].dispatchEvent(new WheelEvent('wheel', {deltaY: -300, ctrlKey: %s, cancelable: true,"
        " bubbles: true, clientX: arguments[0].getBoundingClientRect().left + %d}))"
    )
    opened.execute_script(wheel % ("true", 0), wave)
    assert view(opened) == pytest.approx((first + moved, first + moved + (last - first) / 2), abs=0.03)


def test_without_a_click_the_wheel_is_left_to_the_page(opened: webdriver.Chrome) -> None:
    before = view(opened)
    wave = opened.find_element(By.CSS_SELECTOR, ".wave")
    opened.execute_script("document.activeElement.blur()")
    taken = opened.execute_script(
        "const e = new WheelEvent('wheel', {deltaY: -300, cancelable: true, bubbles: true});"
        " arguments[0].dispatchEvent(e); return e.defaultPrevented",
        wave,
    )
    assert not taken
    assert view(opened) == before


def test_two_fingers_zoom(opened: webdriver.Chrome) -> None:
    begin, end = view(opened)
    wave = opened.find_element(By.CSS_SELECTOR, ".wave")
    opened.execute_script(
        "const wave = arguments[0], box = wave.getBoundingClientRect(); wave.setPointerCapture = () => {};"
        " const send = (kind, id, share) => wave.dispatchEvent(new PointerEvent(kind, {pointerId: id, bubbles: true,"
        "  clientX: box.left + share * box.width, clientY: box.top + 20}));"
        " send('pointerdown', 1, 0.4); send('pointerdown', 2, 0.6); send('pointermove', 2, 0.8);"
        " send('pointerup', 1, 0.4); send('pointerup', 2, 0.8);",
        wave,
    )
    first, last = view(opened)
    assert last - first == pytest.approx((end - begin) / 2, rel=0.02)  # 0.2 of the width apart, then 0.4
    assert first + 0.4 * (last - first) == pytest.approx(0.4 * end, rel=0.02)  # the finger that rests stays put


def test_next_error_leads_from_error_to_error(opened: webdriver.Chrome) -> None:
    errors = opened.execute_script("return document.querySelector('figure.timeline').timeline.data.errors")
    assert len(errors) > 5
    seen = []
    for _ in errors[:3]:
        press(opened, "error")
        first, last = view(opened)
        seen.append(min(errors, key=lambda time: abs(time - (first + last) / 2)))
        assert last - first <= 2.0 + 1e-6
    assert len(set(seen)) == 3


def test_what_is_drawn_when_zoomed_in_are_the_samples(opened: webdriver.Chrome) -> None:
    recording = load_recording(WAV, channel=0, full_scale_v=2.5)
    samples = recording.samples - np.median(recording.samples)
    opened.execute_script("document.querySelector('figure.timeline').timeline.show(0.5, 0.6)")
    path = opened.execute_script("return document.querySelector('.trace').getAttribute('d')")
    points = [tuple(map(float, point.split())) for point in path.strip("MZ").split("L")]
    half = points[: len(points) // 2]
    peak = np.abs(samples).max()
    for x, y in half[10:-10:40]:
        time = 0.5 + x / 1000 * 0.1
        near = samples[int(time * 8000) - 1 : int(time * 8000) + 2]
        volts = (100 - y) / 92 * peak
        assert near.min() - 0.01 <= volts <= near.max() + 0.01
    assert len(half) == pytest.approx(800, abs=5)  # 0.1 s at 8 kHz


def test_times_read_the_same_with_and_without_a_script(opened: webdriver.Chrome) -> None:
    times = [0.0, 0.25, 12.34567, 12.5, 59.999, 59.9996, 60.0, 75.25, 3599.5, 3600.0, 3725.5, 86399.0]
    shown = opened.execute_script("return arguments[0].map(formatTime)", times)
    assert shown == [format_time(time) for time in times]


def test_without_a_script_the_page_has_waveform_marks_and_times(browser: webdriver.Chrome, page: str) -> None:
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(page)
        assert browser.find_element(By.CSS_SELECTOR, ".tools").is_displayed() is False
        path = browser.find_element(By.CSS_SELECTOR, ".trace").get_attribute("d") or ""
        assert len(path) > 5000
        assert len(re.findall("M", browser.find_element(By.CSS_SELECTOR, "path.hit").get_attribute("d") or "")) == 16
        assert "20 s" in browser.find_element(By.CSS_SELECTOR, ".times").text
        data = browser.find_element(By.CSS_SELECTOR, "script[type='application/json']").get_attribute("textContent")
        assert json.loads(data or "")["end"] > 21
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


@pytest.mark.parametrize("media", ["screen", "print"])
def test_nothing_is_cut_at_the_side_at_the_width_of_a_phone(
    browser: webdriver.Chrome, set_look: Callable[..., None], page: str, media: str
) -> None:
    set_look(width=390, media=media)
    browser.get(page)
    wide, seen = browser.execute_script(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= seen
    ends = browser.execute_script(
        "return [...document.querySelectorAll('.times span, .key, .side span')]"
        ".map(one => one.getBoundingClientRect()).filter(box => box.width).map(box => [box.left, box.right])"
    )
    assert len(ends) > 10
    assert min(left for left, _ in ends) >= 0
    assert max(right for _, right in ends) <= seen
    assert browser.find_element(By.CSS_SELECTOR, ".tools").is_displayed() is (media == "screen")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_ground_of_a_picture_is_the_page_around_it(
    browser: webdriver.Chrome, set_look: Callable[..., None], page: str, scheme: str
) -> None:
    set_look(scheme=scheme)
    browser.get(page)
    figure = browser.find_element(By.XPATH, "//figure[.//img[starts-with(@src, 'data:image/svg')]]")
    with Image.open(io.BytesIO(figure.screenshot_as_png)) as shot:
        pixels = np.asarray(shot.convert("L"), dtype=float)
    assert pixels[-2, 1] == pytest.approx(pixels[1, -2], abs=2)  # a corner of the picture, and one beside its caption
    assert (pixels[1, -2] < 128) == (scheme == "dark")


def test_the_marks_and_pictures_of_a_recording_stay_together_on_paper(
    browser: webdriver.Chrome, set_look: Callable[..., None], page: str
) -> None:
    """No figure is as high as a page of A4, 297 mm less margins, or it would be cut in two."""
    set_look(media="print")
    browser.get(page)
    heights = browser.execute_script(
        "return [...document.querySelectorAll('figure')].map(one => one.getBoundingClientRect().height)"
    )
    assert heights
    assert max(heights) < (297 - 28) / 25.4 * 96 / 2  # half a page each
