"""A headless Chromium for tests."""

import os
import shutil
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-sync",
    "--disable-background-networking",
    "--disable-component-update",
)


def find(*names: str, package: str) -> str:
    """Path of the first of these programs that is installed; the absence of all fails in CI and skips elsewhere."""
    for name in names:
        if path := shutil.which(name):
            return path
    message = f"{names[0]} is not installed (Debian: apt-get install {package})"
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)


def open_browser(profile: Path, *, window: str, downloads: Path | None = None) -> webdriver.Chrome:
    """A browser of its own `profile` that keeps what pages log; `window` is "width,height" in pixels."""
    options = webdriver.ChromeOptions()
    options.binary_location = find("chromium", "chromium-browser", "google-chrome", package="chromium")
    for flag in (*FLAGS, f"--window-size={window}", f"--user-data-dir={profile}"):
        options.add_argument(flag)
    if downloads is not None:
        options.add_experimental_option("prefs", {"download.default_directory": str(downloads)})
        options.set_capability("unhandledPromptBehavior", "accept")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    return webdriver.Chrome(options=options, service=Service(find("chromedriver", package="chromium-driver")))
