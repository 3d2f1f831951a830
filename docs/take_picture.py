"""Takes docs/live-page.png: the live page with an alarm, from the real service in a real browser.

    python docs/take_picture.py [PICTURE]

Starts `borewarden serve`, the stand-in pump of config/live/south-opcua.toml with a chip at 60 times
real time, and `borewarden watch` beside it, waits for the alarm, and has a headless Chromium
(Debian's `chromium` and `chromium-driver`) take the picture. Needs the packages of `[test]`; it
takes about three minutes. The machine is invented.
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

ROOT = Path(__file__).parents[1]
MACHINE = ROOT / "config" / "live" / "south-opcua.toml"
CHIP_AT = "2026-03-05T07:30:00"
WIDTH = 1100  # px
MARGIN = 12  # px
COLOURS = 128
LONGEST_WAIT = 600.0  # s


def free_port() -> int:
    """A port of loopback that nothing listens on."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return int(listening.getsockname()[1])


@contextmanager
def running(*words: str, environment: dict[str, str]) -> Iterator[None]:
    """A `borewarden` command that runs until the end of the block."""
    program = [sys.executable, "-m", "borewarden", *words]
    with subprocess.Popen(program, env=os.environ | environment) as process:
        try:
            yield
        finally:
            process.terminate()


def wait_for_alarm(address: str) -> None:
    """Until somebody should acknowledge an opened bore. Raises TimeoutError."""
    end = time.monotonic() + LONGEST_WAIT
    while time.monotonic() < end:
        time.sleep(1.0)
        try:
            with urllib.request.urlopen(f"{address}/status") as answer:
                (machine,) = json.load(answer)["machines"].values()
        except OSError:
            continue  # the page is not up yet
        if machine["verdict"]["ne107"] == "failure" and "unacknowledged" in machine["alarm"]:
            return
    raise TimeoutError(f"{address} shows no alarm after {LONGEST_WAIT:.0f} s")


@contextmanager
def chromium(folder: Path) -> Iterator[webdriver.Chrome]:
    """A headless browser of our own."""
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for argument in ("headless=new", "no-sandbox", "disable-gpu", "hide-scrollbars"):
        options.add_argument(f"--{argument}")
    options.add_argument(f"--user-data-dir={folder}")
    driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    try:
        yield driver
    finally:
        driver.quit()


def picture_of(driver: webdriver.Chrome, address: str, picture: Path) -> None:
    """The page from its top to the end of the first machine's card, and the strip below it."""
    driver.set_window_size(WIDTH, 1000)
    driver.get(address)
    time.sleep(5.0)  # a few events, and the plots
    height: Any = driver.execute_script(
        "return document.querySelector('.card').getBoundingClientRect().bottom + scrollY"
        " + document.querySelector('.strip').offsetHeight + outerHeight - innerHeight"
    )
    driver.set_window_size(WIDTH, int(height) + MARGIN)
    time.sleep(2.0)
    driver.save_screenshot(str(picture))
    with Image.open(picture) as taken:
        taken.quantize(COLOURS).save(picture, optimize=True)


def main(picture: Path) -> None:
    """Take the picture."""
    port = free_port()
    environment = {
        "BOREWARDEN_SOURCE__URL": f"opc.tcp://127.0.0.1:{free_port()}/",
        "BOREWARDEN_SERVICE_PAGE__PORT": str(port),
    }
    machine = str(MACHINE)
    with tempfile.TemporaryDirectory() as folder:
        store = str(Path(folder) / "borewarden.db")
        serve = ("serve", "--machine", machine, "--speed", "60", "--chip-at", CHIP_AT)
        watch = ("watch", "--config", machine, "--store", store)
        with (
            running(*serve, environment=environment),
            running(*watch, environment=environment),
            chromium(Path(folder) / "browser") as driver,
        ):
            address = f"http://127.0.0.1:{port}"
            wait_for_alarm(address)
            picture_of(driver, address, picture)
    print(f"{picture}: {picture.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs" / "live-page.png")
