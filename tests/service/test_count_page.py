"""The page for counts by hand, over real HTTP and as a real browser shows it."""

from __future__ import annotations

import asyncio
import http.client
import re
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from urllib.parse import urlencode

import pytest
from selenium.webdriver import Chrome

from borewarden.gate.gate import GateSettings
from borewarden.inspection.cautions import CAUTIONS
from borewarden.jewels.jewel import Jewel
from borewarden.physics.pump import Intensifier
from borewarden.service.listening import serve_page
from borewarden.service.status import MachineStatus
from borewarden.service.watch import watch
from borewarden.service.web import page_app
from borewarden.settings import MachineSettings, load_machine
from borewarden.settings.service import PageSection
from borewarden.store.counts import hand_counts
from borewarden.store.database import open_store, open_to_read
from borewarden.watcher.watcher import Watcher
from browsing import see, severe

PUMP = Intensifier(0.022, 0.2, 8e-6, 20.0, 1.0, 400e6, 37e3, 0.97)
JEWEL = Jewel(0.254e-3, "ruby", 10**18)
CONFIG = Path(__file__).parents[2] / "config"
HAND = 'name = "Third"\nby_hand = true'
COUNT = {"name": "North", "by": "Ada", "pressure": "55,000 psi", "strokes": "60", "seconds": "2:38"}
PLATE = {"kind": "intensifier", "plunger": "7/8 in", "stroke": "7.5 in", "bore": "10 thou"}


class Served:
    """The page of one machine, served by a loop of its own on a free port of loopback."""

    def __init__(self, store: Path, by_hand: Sequence[MachineSettings] = ()) -> None:
        self.store = store
        gate = GateSettings(0.0, 1.0, 520e6, 250e6, 20e6, True, True)
        verdict = Watcher(PUMP, gate, [JEWEL]).verdict()
        status = MachineStatus("North", "Europe/Vienna", PUMP, verdict, jewels=[JEWEL])

        async def no(*_: object) -> bool:
            return False

        self.app = page_app(store, {"North": status}, no, no, by_hand=by_hand)
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.loop = asyncio.new_event_loop()
        self.thread = threading.Thread(target=self.loop.run_forever, daemon=True)
        self.thread.start()
        self.serving = asyncio.run_coroutine_threadsafe(
            serve_page(self.app, PageSection(port=self.port)), self.loop
        )
        self.address = f"http://127.0.0.1:{self.port}"

    def ask(
        self, method: str, fields: dict[str, str] | None = None, origin: str = ""
    ) -> tuple[int, str]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        headers = {
            "Origin": origin or self.address,
            "Content-Type": "application/x-www-form-urlencoded",
        }
        connection.request(method, "/count", urlencode(fields or {}), headers)
        answer = connection.getresponse()
        told = answer.status, answer.read().decode()
        connection.close()
        return told

    def counts(self) -> list[object]:
        with open_to_read(self.store) as connection:
            return list(hand_counts(connection).values())

    def end(self) -> None:
        self.serving.cancel()

        async def rest() -> None:
            others = asyncio.all_tasks() - {asyncio.current_task()}
            if others:
                await asyncio.wait(others, timeout=30.0)

        asyncio.run_coroutine_threadsafe(rest(), self.loop).result(30.0)
        self.loop.call_soon_threadsafe(self.loop.stop)
        self.thread.join(30.0)
        self.loop.close()


def serve(folder: Path, by_hand: Sequence[MachineSettings] = ()) -> Iterator[Served]:
    store = folder / "borewarden.db"
    with open_store(store):
        pass
    served = Served(store, by_hand)
    for _ in range(600):
        with socket.socket() as there:
            if there.connect_ex(("127.0.0.1", served.port)) == 0:
                break
        threading.Event().wait(0.05)
    yield served
    served.end()


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    yield from serve(tmp_path)


@pytest.fixture
def served_by_hand(tmp_path: Path) -> Iterator[Served]:
    file = tmp_path / "third.toml"
    text = (CONFIG / "north.toml").read_text().replace('name = "North"', HAND)
    file.write_text(text)
    yield from serve(tmp_path, [load_machine(file)])


def test_the_form_has_the_cautions_before_it(served: Served) -> None:
    code, page = served.ask("GET")
    assert code == 200
    assert all(caution.replace("'", "&#39;") in page for caution in CAUTIONS)
    assert page.index(CAUTIONS[1]) < page.index("<form")


def test_a_count_of_a_watched_machine_needs_no_plate(served: Served) -> None:
    code, page = served.ask("POST", COUNT)
    assert code == 200
    assert "First count of this jewel" in page
    [count] = served.counts()
    assert count.by == "Ada"
    assert count.plate.efficiency == 0.97
    assert count.jewel_ns == JEWEL.fitted_ns


def test_a_pump_without_a_controller_is_counted_by_name_and_plate(served: Served) -> None:
    code, page = served.ask("POST", COUNT | {"name": "Pump 2"} | PLATE)
    assert code == 200
    assert "costs most certainty" in page
    code, page = served.ask("POST", COUNT | {"name": "Pump 2", "strokes": "68"})
    assert code == 200
    assert "The bore has probably opened up" in page
    assert "Count again" in page
    assert "data:image/png;base64," in page


def test_a_pump_with_a_file_that_nobody_can_read_is_counted_by_it(served_by_hand: Served) -> None:
    _, page = served_by_hand.ask("GET")
    assert '<option value="Third">' in page
    code, _ = served_by_hand.ask("POST", COUNT | {"name": "Third"})
    assert code == 200
    [count] = served_by_hand.counts()
    assert count.plate.rated_pressure == 400e6
    code, page = served_by_hand.ask("POST", COUNT | {"name": "Third"} | PLATE)
    assert code == 422
    assert "is in the machine file" in page


def test_what_is_wrong_is_said_on_the_form_with_all_that_was_typed(served: Served) -> None:
    code, page = served.ask("POST", COUNT | {"pressure": "8,702"})
    assert code == 422
    assert "8702 or 8.702" in page
    assert 'value="2:38"' in page
    assert served.counts() == []


def test_a_page_that_is_loaded_again_adds_no_count(served: Served) -> None:
    again = COUNT | {"new_jewel": "yes"}
    titles = [re.findall(r'id="answer-title">([^<]+)', served.ask("POST", again)[1])[0]
              for _ in range(2)]  # fmt: skip
    assert titles[0] == titles[1]
    assert len(served.counts()) == 1
    served.ask("POST", COUNT | {"strokes": "61"})
    assert len(served.counts()) == 2


def test_a_name_is_text_and_never_markup(served: Served) -> None:
    code, page = served.ask("POST", COUNT | {"name": "<b>odd</b>"} | PLATE)
    assert code == 200
    assert "<b>odd" not in page


def test_only_the_page_itself_may_post(served: Served) -> None:
    assert served.ask("POST", COUNT, origin="http://elsewhere.example")[0] == 403
    assert served.counts() == []


def test_in_a_browser(served: Served, browser: Chrome) -> None:
    browser.get(f"{served.address}/count")
    for name, words in COUNT.items():
        browser.find_element("css selector", f"[name={name}]").send_keys(words)
    button = browser.find_element("css selector", "form.count button")
    browser.execute_script("arguments[0].scrollIntoView({ block: 'center' })", button)
    button.click()
    see(browser, lambda: browser.find_elements("id", "answer"))
    assert "First count" in browser.find_element("id", "answer-title").text
    image = browser.find_element("css selector", "figure img")
    see(browser, lambda: image.get_property("naturalWidth") > 100)
    assert severe(browser) == []
    browser.set_window_size(360, 800)
    wide = browser.execute_script("return document.documentElement.scrollWidth")
    assert wide <= browser.execute_script("return window.innerWidth")


async def test_a_watch_of_pumps_counted_by_hand_alone_goes_on_until_it_is_stopped(
    tmp_path: Path,
) -> None:
    begun = asyncio.Event()

    def started(*_: object) -> Callable[..., None]:
        begun.set()
        return lambda *_: None

    watching = asyncio.create_task(watch([], tmp_path / "a.db", {}, started))
    await asyncio.wait_for(begun.wait(), 30.0)
    done, _ = await asyncio.wait({watching}, timeout=0.2)
    assert not done
    watching.cancel()
    with pytest.raises(asyncio.CancelledError):
        await watching
