"""A power cut at any moment: the store opens, is sound, and holds whatever anybody was told."""

from __future__ import annotations

import email
import email.policy
import gc
import hashlib
import json
import marshal
import random
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
import urllib.request
from bisect import bisect
from collections.abc import AsyncGenerator, Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from aiosmtpd.controller import Controller

from borewarden.alert.alarm import Alarm
from borewarden.collect.link import Received
from borewarden.service.watch import watch
from borewarden.settings import load_machine
from borewarden.settings.service import load_service
from borewarden.store.upkeep import check_store
from held import AT_ONCE, Held, mails
from power_cut import Disk, How, Kind, Note, preloaded, read_journal, tell
from wire import free_port

ROOT = Path(__file__).parents[2]
COMMAND = [sys.executable, "-m", "borewarden.cli"]
NAME = "live.db"
MACHINE = "South live"
SYNCS = (Kind.SYNC_BEGUN, Kind.SYNCED, Kind.FOLDER_SYNC_BEGUN, Kind.FOLDER_SYNCED)


class Telling:
    """A mail server that notes whom it has taken a mail for, just before it says so."""

    def __init__(self, journal: Path) -> None:
        self.journal = journal

    async def handle_DATA(self, server, session, envelope):  # noqa: N802
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        tell(self.journal, {"mail": mail["Message-ID"], "subject": mail["Subject"]})
        return "250 taken"


class Day(NamedTuple):
    """A recorded day: what was done to the files, and the machine's file."""

    notes: list[Note]
    machine: Path


def record(folder: Path) -> Day:
    """Have the service run, and note all that it does to its files and says to people."""
    config, disk, journal = folder / "config", folder / "disk", folder / "journal"
    config.mkdir()
    disk.mkdir()
    page = free_port()
    mail_server = Controller(Telling(journal), hostname="127.0.0.1", port=free_port())
    shutil.copy(ROOT / "config" / "live" / "south-opcua.toml", config / "south.toml")
    (config / "service.toml").write_text(
        f'[page]\nport = {page}\n[alarm]\non_delay = "0 s"\noff_delay = "0 s"\n'
        '[store]\ncommit_every = "0.1 s"\n'
        f'[mail]\nhost = "127.0.0.1"\nport = {mail_server.port}\nsecurity = "none"\n'
        'sender = "watch@example.org"\nrecipients = ["lead@example.org"]\n'
    )
    mail_server.start()
    script = ROOT / "tests" / "support" / "live_day.py"
    over = threading.Event()
    looker = threading.Thread(target=look, args=(page, journal, over))
    looker.start()
    try:
        subprocess.run(
            [sys.executable, str(script), str(config), str(disk / NAME), str(journal)],
            env=preloaded(folder, journal, disk),
            check=True,
            capture_output=True,
            timeout=300.0,
        )
    finally:
        over.set()
        looker.join()
        mail_server.stop()
    return Day(read_journal(journal), config / "south.toml")


def look(page: int, journal: Path, over: threading.Event) -> None:
    """Ask for the status, again and again, and note what it says."""
    while not over.wait(0.02):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{page}/status", timeout=5) as answer:
                status = json.load(answer)["machines"][MACHINE]
        except OSError:
            continue
        told = {key: status[key] for key in ("last_sample_ns", "alarm")}
        tell(journal, {"status": told | {"verdict": status["verdict"]["state"]}})


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Day:
    return record(tmp_path_factory.mktemp("day"))


class State(NamedTuple):
    """What the store surely holds, from the `at`th note on."""

    at: int
    digest: str
    is_made: bool  # it has its tables
    newest_ns: int
    alarm: str
    mails: frozenset[str]  # that wait
    recorded: int  # entries of the register
    acknowledged: int


def read_state(folder: Path, at: int) -> State:
    """What is in the store of `folder`, by nothing but SQLite; without a store, nothing."""
    with closing(sqlite3.connect(folder / NAME)) as connection:
        ask = connection.execute
        names = [name for (name,) in ask("SELECT name FROM sqlite_master WHERE type = 'table'")]
        rows = {name: ask(f"SELECT * FROM {name} ORDER BY 1, 2").fetchall() for name in names}
    digest = hashlib.sha256(marshal.dumps(sorted(rows.items()))).hexdigest()
    blocks = rows.get("block", []) + rows.get("recent", [])
    alarms = {about: Alarm.from_json(text, AT_ONCE) for _, about, text in rows.get("alarm", [])}
    messages = (row[4] for row in rows.get("outbox", []) if row[1] == "mail")
    ids = frozenset(email.message_from_bytes(each)["Message-ID"] for each in messages)
    acknowledged = [row for row in rows.get("trail", []) if row[4] == "acknowledged"]
    return State(
        at,
        digest,
        bool(rows),
        max((block[2] for block in blocks), default=0),
        alarms["bore"].state.value if alarms else "normal",
        ids,
        len(rows.get("register", [])),
        len(acknowledged),
    )


def states_of(day: Day, folder: Path) -> list[State]:
    """What the store surely held after each sync."""
    disk, chance = Disk(), random.Random(1)
    states = [State(-1, "", False, 0, "normal", frozenset(), 0, 0)]
    for at, note in enumerate(day.notes):
        disk.take(note)
        if note.kind in (Kind.SYNCED, Kind.FOLDER_SYNCED):
            lay(folder, disk.left(How.NOTHING, chance))
            state = read_state(folder, at)
            if state.digest != states[-1].digest:
                states.append(state)
    return states


def lay(folder: Path, files: dict[str, bytes]) -> None:
    """Make `folder` hold just these files."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, content in files.items():
        (folder / name).write_bytes(content)


def told_before_it_was_kept(day: Day, states: list[State]) -> list[str]:
    """What somebody was told while the disk did not surely have it yet."""
    faults, recorded, acknowledged = [], 0, 0
    for at, note in enumerate(day.notes):
        if note.kind is not Kind.TOLD:
            continue
        told = json.loads(note.content)
        kept = states[: bisect([state.at for state in states], at)]
        recorded += "recorded" in told
        acknowledged += "acknowledged" in told
        status = told.get("status", {"last_sample_ns": 0, "alarm": kept[-1].alarm})
        if (
            ("mail" in told and not any(told["mail"] in state.mails for state in kept))
            or kept[-1].recorded < recorded
            or kept[-1].acknowledged < acknowledged
            or kept[-1].newest_ns < status["last_sample_ns"]
            or not any(state.alarm == status["alarm"] for state in kept)
        ):
            faults.append(f"{told} told, but kept was {kept[-1]}")
    return faults


def cuts(day: Day, count: int, chance: random.Random) -> list[tuple[int, How]]:
    """After which note to cut, and what is then left: half of them next to a sync."""
    marks = [at for at, note in enumerate(day.notes) if note.kind in SYNCS]
    near = [chance.choice(marks) - chance.randint(0, 1) for _ in range(count // 2)]
    anywhere = [chance.randrange(len(day.notes)) for _ in range(count - len(near))]
    return sorted(
        ((at, chance.choice(list(How))) for at in near + anywhere), key=lambda cut: cut[0]
    )


async def none() -> AsyncGenerator[Received, None]:
    """A source that has nothing to say."""
    return
    yield


async def after_the_cut(folder: Path, day: Day) -> State:
    """Have `store check` and a watch open what is left; returns what is in it."""
    store, copy = folder / NAME, folder.with_name("copy")
    lay(copy, {path.name: path.read_bytes() for path in folder.iterdir()})
    state = read_state(copy, 0)
    with closing(sqlite3.connect(copy / NAME)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    if state.is_made:
        assert [finding for finding in check_store(store) if not finding.is_well] == []
    machine, held = load_machine(day.machine), Held()
    await watch([machine], store, {machine.name: none()}, held)
    assert not list(folder.glob("*damaged*"))
    status = held.statuses[MACHINE]
    assert status.last_sample_ns == state.newest_ns
    assert status.alarm.split(";")[0] == state.alarm
    bore = {mail["Message-ID"] for mail in mails(store) if "Cannot see" not in mail["Subject"]}
    assert bore == state.mails  # what waited goes out under its own id, and nothing else does
    return state


def cut_at(day: Day, folder: Path, moments: list[tuple[int, How]], seed: int) -> Iterator[str]:
    """Lay into `folder` what each of the `moments` leaves; gives words for it."""
    disk, chance, done = Disk(), random.Random(seed), 0
    for at, how in moments:
        for note in day.notes[done : at + 1]:
            disk.take(note)
        done = at + 1
        left = disk.left(how, chance)
        if chance.random() < 0.5:  # what SQLite has to make anew
            left |= {f"{NAME}-shm": chance.randbytes(32768)}
        lay(folder, left)
        sizes = {name: len(content) for name, content in left.items()}
        yield f"cut after note {at}, {day.notes[at].kind.name}; of the rest {how.value}: {sizes}"


async def cut_and_look(day: Day, folder: Path, count: int, seed: int) -> list[State]:
    """Cut the power at `count` moments; each leaves what was kept last, or is just being kept."""
    states = states_of(day, folder / "states")
    assert told_before_it_was_kept(day, states) == []
    moments, found = cuts(day, count, random.Random(seed)), []
    words = cut_at(day, folder / "disk", moments, seed)
    for (at, _), said in zip(moments, words, strict=True):
        place = bisect([state.at for state in states], at)
        try:
            found.append(await after_the_cut(folder / "disk", day))
            assert found[-1].digest in {state.digest for state in states[place - 1 : place + 1]}
        except Exception as error:
            error.add_note(said)
            raise
    return found


@pytest.fixture(autouse=True)
def quick_to_start(monkeypatch: pytest.MonkeyPatch) -> None:
    """A watch begins by looking for garbage among all that is there: here, in all the tests."""
    monkeypatch.setattr(gc, "collect", lambda: 0)


def told(day: Day, what: str) -> list[Any]:
    """What people were told of one kind, in order."""
    notes = (json.loads(note.content) for note in day.notes if note.kind is Kind.TOLD)
    return [note[what] for note in notes if what in note]


async def test_power_cuts_lose_nothing_that_was_told(day: Day, tmp_path: Path) -> None:
    """Mails, what the page and its status say, and the answers to what people enter."""
    assert told(day, "recorded") == ["fit", "correct", "correct", "strike"]
    assert told(day, "acknowledged") == [200]
    assert len(told(day, "mail")) >= 3  # opened, all-clear, opened again
    found = await cut_and_look(day, tmp_path, 20, seed=1)
    assert len({state.digest for state in found}) > 10


async def test_three_hundred_power_cuts(day: Day, tmp_path: Path) -> None:
    found = await cut_and_look(day, tmp_path, 300, seed=2)
    assert {"normal", "unacknowledged", "acknowledged"} <= {state.alarm for state in found}


async def test_a_first_page_that_is_nothing_is_undone(day: Day, tmp_path: Path) -> None:
    """The file has its size already, and the journal says that it was empty."""
    disk, folder = Disk(), tmp_path / "disk"
    for note in day.notes:
        disk.take(note)
        if note.kind is Kind.WRITE and len(note.content) == 4096:
            break
    left = disk.left(How.NOTHING, random.Random(0)) | {NAME: bytes(4096)}
    assert left[f"{NAME}-journal"]
    lay(folder, left)
    state = await after_the_cut(folder, day)
    assert not state.is_made


async def test_every_cut_while_a_store_is_being_made(day: Day, tmp_path: Path) -> None:
    first = next(state.at for state in states_of(day, tmp_path / "states") if state.is_made)
    moments = [(at, How.ANY) for at in range(first + 1) for _ in range(8)]
    for said in cut_at(day, tmp_path / "disk", moments, seed=3):
        try:
            await after_the_cut(tmp_path / "disk", day)
        except Exception as error:
            error.add_note(said)
            raise


def test_the_commands_open_what_a_cut_left(day: Day, tmp_path: Path) -> None:
    """`store check` says that it is sound, and `watch` goes on, and mails what waited."""
    states = states_of(day, tmp_path / "states")
    made = next(at for at, state in enumerate(states) if state.is_made)
    chance = random.Random(4)
    waiting = [state.at for state in states if state.mails]
    anywhere = chance.sample([state.at for state in states[made + 1 :]], 8)
    moments = [(at, How.ANY) for at in sorted({waiting[0], waiting[-1], *anywhere})]
    for said in cut_at(day, tmp_path / "disk", moments, seed=4):
        store, copy = tmp_path / "disk" / NAME, tmp_path / "copy"
        lay(copy, {path.name: path.read_bytes() for path in store.parent.iterdir()})
        state = read_state(copy, 0)
        check = [*COMMAND, "store", "check", "--store", str(store)]
        assert subprocess.run(check, check=False).returncode == 0, said
        status, mailed = watched_by_the_command(day.machine.parent, store, state.mails)
        assert status["last_sample_ns"] == state.newest_ns, said
        assert status["alarm"].split(";")[0] == state.alarm, said
        assert mailed == state.mails, said


def watched_by_the_command(
    config: Path, store: Path, awaited: frozenset[str]
) -> tuple[dict[str, Any], set[str]]:
    """The status by a `watch` with nobody at its address; ids of its mails of the bore."""
    service = load_service(config / "service.toml")
    assert service.mail is not None
    journal = store.with_name("told")
    server = Controller(Telling(journal), hostname="127.0.0.1", port=service.mail.port)
    server.start()
    command = [*COMMAND, "watch", "--config", str(config), "--store", str(store)]
    process = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    try:
        deadline = time.monotonic() + 120.0
        while time.monotonic() < deadline:
            assert process.poll() is None
            with suppress(OSError):
                url = f"http://127.0.0.1:{service.page.port}/status"
                with urllib.request.urlopen(url, timeout=30) as answer:
                    status = json.load(answer)["machines"][MACHINE]
                mailed = set()
                for note in read_journal(journal) if journal.exists() else []:
                    mail = json.loads(note.content)
                    mailed |= set() if "Cannot see" in mail["subject"] else {mail["mail"]}
                if mailed >= awaited:
                    return status, mailed
            time.sleep(0.1)
        raise AssertionError("no status, or a mail is missing")
    finally:
        process.terminate()
        assert process.wait() == 0
        server.stop()
