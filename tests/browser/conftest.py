"""The browser that tests of pages share."""

from collections.abc import Iterator

import pytest
from selenium import webdriver

from chromium import open_browser


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    driver = open_browser(tmp_path_factory.mktemp("profile"), window="1200,1000")
    yield driver
    driver.quit()
