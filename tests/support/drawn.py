"""Dashboards as a real browser draws them: pictures, and what is wrong with what was drawn."""

from __future__ import annotations

import time
from base64 import b64decode
from contextlib import suppress
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

from selenium import webdriver
from selenium.common.exceptions import WebDriverException

from wire import PATIENCE

TALL = 3400  # px: higher than any dashboard, since a panel out of sight is not drawn
DRAWN = 100  # characters that any dashboard shows once it is there

# never on a dashboard: nothing found, or a variable that nobody replaced
NEVER = ("No data", "undefined", "NaN", "$")
# what is still on its way, and where what can be seen of the page ends
BUSY = """
const busy = document.querySelectorAll(
  '[role=progressbar], .MuiSkeleton-root, [aria-label="Panel loading bar"], [data-loading]');
const ends = [...document.querySelectorAll('p, td, canvas, h1, h2, h3, h4')].map(
  (e) => e.getBoundingClientRect().bottom);
return [busy.length, Math.ceil(Math.max(0, ...ends)), document.body.innerText.length];
"""
# texts that are cut: by themselves, or by the panel they stand in
CUT = """
const found = [];
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
for (let node; (node = walk.nextNode()); ) {
  const words = node.textContent.trim(), parent = node.parentElement;
  // the label of a field lies on its border
  if (!words || parent.closest('script, style, label, legend')) continue;
  const range = document.createRange();
  range.selectNodeContents(node);
  const box = range.getBoundingClientRect();
  if (!box.width || getComputedStyle(parent).visibility === 'hidden') continue;
  for (let e = parent; e && e !== document.body; e = e.parentElement) {
    const style = getComputedStyle(e), own = e.getBoundingClientRect();
    const cuts = (overflow) => /hidden|clip|auto|scroll/.test(overflow);
    if (own.width < 3) break;  // only for screen readers
    const aside = box.left < own.left - 1 || box.right > own.right + 1;
    const below = box.top < own.top - 1 || box.bottom > own.bottom + 1;
    if ((cuts(style.overflowX) && aside) || (cuts(style.overflowY) && below)) {
      found.push(words);
      break;
    }
  }
}
return found;
"""


def draw(chrome: webdriver.Chrome, url: str, widths: dict[int, Path]) -> list[str]:
    """Draw the whole page at each width, px, into its picture; returns what is wrong there."""
    chrome.get_log("browser")  # of the page before
    wrong = []
    for number, (width, picture) in enumerate(widths.items()):
        metrics = {"width": width, "height": TALL, "deviceScaleFactor": 1, "mobile": False}
        chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        if number == 0:
            chrome.get(url)
        # to clip the picture is to make the window as small: the page would scroll, in the picture
        chrome.execute_script("document.documentElement.style.overflow = 'hidden'")
        height = _settled(chrome)
        picture.parent.mkdir(parents=True, exist_ok=True)
        clip = {"x": 0, "y": 0, "width": width, "height": height + 80, "scale": 1}
        taken = chrome.execute_cdp_cmd("Page.captureScreenshot", {"clip": clip})
        picture.write_bytes(b64decode(taken["data"]))
        wrong += [f"{width} px, cut: {words!r}" for words in chrome.execute_script(CUT)]
        text = chrome.execute_script("return document.body.innerText")
        wrong += [f"{width} px: {words!r} is shown" for words in NEVER if words in text]
    return wrong + [
        f"console: {entry['message'][:200]}"
        for entry in chrome.get_log("browser")
        if entry["level"] == "SEVERE" and ".woff2" not in entry["message"]  # fonts not published
    ]


def _settled(chrome: webdriver.Chrome) -> int:
    """Wait until nothing is on its way and nothing changes any more; returns the height."""
    until = time.monotonic() + 3.0 * PATIENCE  # a browser beside other tests
    before: list[int] = []
    while time.monotonic() < until:
        with suppress(WebDriverException):
            now = chrome.execute_script(BUSY)
            if now == before and now[0] == 0 and now[2] > DRAWN:
                return int(now[1])
            before = now
        time.sleep(0.2)
    raise AssertionError(f"still busy: {before}")


class _Quiet(SimpleHTTPRequestHandler):
    def log_message(self, *_: object) -> None:
        pass


def serve(folder: Path) -> tuple[ThreadingHTTPServer, str]:
    """A web server of the files in `folder`, on loopback; `shutdown` ends it."""
    server = ThreadingHTTPServer(
        ("127.0.0.1", 0), lambda *given: _Quiet(*given, directory=str(folder))
    )
    Thread(target=server.serve_forever, daemon=True).start()
    return server, f"http://127.0.0.1:{server.server_port}"
