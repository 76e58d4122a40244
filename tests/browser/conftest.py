"""The browser that tests of pages share."""

from collections.abc import Callable, Iterator

import pytest
from selenium import webdriver

from chromium import open_browser


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    driver = open_browser(tmp_path_factory.mktemp("profile"), window="1200,1000")
    yield driver
    driver.quit()


@pytest.fixture
def set_look(browser: webdriver.Chrome) -> Iterator[Callable[..., None]]:
    """Sets the width in pixels, the colour scheme and the medium of pages, until the test ends."""

    def set_look(*, width: int = 1200, scheme: str = "light", media: str = "") -> None:
        size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        features = [{"name": "prefers-color-scheme", "value": scheme}]
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media, "features": features})

    set_look()
    yield set_look
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
