"""The pages of results in a real browser: light and dark, wide and narrow, on paper; accessible, silent, still."""

import base64
import subprocess
import tarfile
from collections.abc import Callable

import pytest
from selenium import webdriver

from chromium import find
from tapsig.cli import main
from tests.fakes import DEMO

pytestmark = [pytest.mark.browser, pytest.mark.usefixtures("set_look")]
Look = Callable[..., None]

NAMES = ("score", "positions", "variants", "report", "recording")

# Contrast of every text with what lies behind it, by WCAG 2.1, 1.4.3: (L1 + 0.05)/(L2 + 0.05), with the relative
# luminance of its definitions section. Plain grounds only, as the pages have.
CONTRAST = """
const parse = text => text.match(/[\\d.]+/g).map(Number);
const f = v => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
const lum = ([r, g, b]) => 0.2126 * f(r) + 0.7152 * f(g) + 0.0722 * f(b);
const ground = node => {
  for (; node; node = node.parentElement) {
    const c = parse(getComputedStyle(node).backgroundColor);
    if (c.length < 4 || c[3] > 0) return c;
  }
  return [255, 255, 255];
};
const found = [];
for (const node of document.querySelectorAll("body *")) {
  const words = [...node.childNodes].some(c => c.nodeType === 3 && c.textContent.trim());
  if (!words) continue;
  const style = getComputedStyle(node);
  const a = lum(parse(node.tagName === "text" ? style.fill : style.color));
  const b = lum(ground(node.closest("svg") || node));
  found.push([(Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), node.textContent.slice(0, 40)]);
}
return found;
"""


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    folder = tmp_path_factory.mktemp("pages")
    detectors = [f"--detector={name}" for name in ("sta-lta", "fixed-threshold", "null")]
    for name in ("score", "positions", "variants", "report"):
        call = [name, str(DEMO), "--split", "validation", *detectors, "--cache", str(folder / "kept")]
        assert main([*call, "--out", str(folder / f"{name}.html")]) == 0
    wav = str(DEMO / "recordings" / "crane-quiet.wav")
    assert main(["report", wav, *detectors, "--out", str(folder / "recording.html")]) == 0
    return {name: (folder / f"{name}.html").as_uri() for name in NAMES}


@pytest.mark.parametrize("name", NAMES)
def test_a_page_opens_without_a_message_and_without_loading_anything(
    browser: webdriver.Chrome, pages: dict[str, str], name: str
) -> None:
    browser.get(pages[name])
    loaded = browser.execute_script("return performance.getEntriesByType('resource').map(e => e.name)")
    assert [name for name in loaded if not name.startswith("data:")] == []  # pictures that stand in the page
    assert browser.get_log("browser") == []
    assert browser.execute_script("return document.querySelectorAll('table tbody tr').length") > 2


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("media", ["", "print"])
@pytest.mark.parametrize("name", NAMES)
def test_every_text_has_contrast(
    browser: webdriver.Chrome, set_look: Look, pages: dict[str, str], name: str, scheme: str, media: str
) -> None:
    set_look(scheme=scheme, media=media)
    browser.get(pages[name])
    found = browser.execute_script(CONTRAST)
    assert len(found) > 50
    low = [(round(ratio, 2), words) for ratio, words in found if ratio < 4.5]
    assert low == []


def test_dark_and_light_differ(browser: webdriver.Chrome, set_look: Look, pages: dict[str, str]) -> None:
    grounds = []
    for scheme in ("light", "dark"):
        set_look(scheme=scheme)
        browser.get(pages["score"])
        grounds.append(browser.execute_script("return getComputedStyle(document.body).backgroundColor"))
    assert grounds[0] != grounds[1]


@pytest.mark.parametrize("width", [320, 390, 800])
@pytest.mark.parametrize("name", NAMES)
def test_a_narrow_screen_scrolls_tables_not_the_page(
    browser: webdriver.Chrome, set_look: Look, pages: dict[str, str], name: str, width: int
) -> None:
    # 320 px without scrolling sideways: WCAG 2.1, 1.4.10 (tables are excepted, and scroll in their own box).
    set_look(width=width)
    browser.get(pages[name])
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("name", NAMES)
def test_a_desk_screen_shows_every_column(
    browser: webdriver.Chrome, set_look: Look, pages: dict[str, str], name: str
) -> None:
    set_look(width=1280)
    browser.get(pages[name])
    cut = "return [...document.querySelectorAll('.scroll')].filter(s => s.scrollWidth > s.clientWidth).length"
    assert browser.execute_script(cut) == 0


@pytest.mark.parametrize("name", NAMES)
def test_structure_can_be_heard(browser: webdriver.Chrome, pages: dict[str, str], name: str) -> None:
    browser.get(pages[name])
    ask = browser.execute_script
    assert ask("return document.documentElement.lang") == "en"
    assert ask("return document.querySelectorAll('h1').length") == 1
    assert ask("return [...document.querySelectorAll('table')].every(t => t.caption && t.caption.textContent.trim())")
    assert ask("return [...document.querySelectorAll('th')].every(h => h.scope)")
    assert ask(
        "return [...document.querySelectorAll('svg:not([aria-hidden])')].every(s => s.getAttribute('role') === 'img'"
        " && s.getAttribute('aria-label').length > 5)"
    )
    assert ask("return [...document.querySelectorAll('.scroll')].every(s => s.tabIndex === 0 && s.ariaLabel)")


@pytest.mark.parametrize("name", NAMES)
def test_a_page_prints(browser: webdriver.Chrome, pages: dict[str, str], name: str) -> None:
    browser.get(pages[name])
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69})
    assert base64.b64decode(printed["data"]).startswith(b"%PDF")


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Source of axe-core, from the npm registry."""
    folder = tmp_path_factory.mktemp("axe")
    npm = find("npm", package="npm")
    made = subprocess.run([npm, "pack", "axe-core@4.10.3", "--silent"], cwd=folder, capture_output=True, text=True)
    if made.returncode:
        pytest.fail(f"npm pack failed: {made.stderr}")
    with tarfile.open(next(folder.glob("*.tgz"))) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        return member.read().decode()


@pytest.mark.network
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", NAMES)
def test_an_independent_checker_finds_no_fault(
    browser: webdriver.Chrome, set_look: Look, pages: dict[str, str], axe: str, name: str, scheme: str
) -> None:
    # axe-core, all rules of WCAG 2.0/2.1 A and AA and its own good practice.
    set_look(scheme=scheme)
    browser.get(pages[name])
    browser.execute_script(axe)
    result = browser.execute_async_script("const done = arguments[0]; axe.run().then(done, e => done(String(e)))")
    faults = [
        (fault["id"], fault["help"], [node["html"][:100] for node in fault["nodes"][:2]])
        for fault in result["violations"]
    ]
    assert faults == []
    assert len(result["passes"]) > 15
