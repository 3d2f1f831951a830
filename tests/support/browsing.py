"""What the tests of the live page do with the browser."""

from __future__ import annotations

from collections.abc import Callable

from selenium.webdriver import Chrome
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import WebDriverWait


def see(browser: Chrome, condition: Callable[[], object], seconds: float = 60.0) -> None:
    """Wait until `condition` holds."""
    WebDriverWait(browser, seconds).until(lambda _: condition())


def machine_card(browser: Chrome, number: int = 0) -> WebElement:
    return browser.find_elements("css selector", ".card")[number]


def text(place: WebElement, selector: str) -> str:
    return place.find_element("css selector", selector).text


def severe(browser: Chrome) -> list[dict]:
    """Errors in the browser's console since it was last read."""
    return [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"]
