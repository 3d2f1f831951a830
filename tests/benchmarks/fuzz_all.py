"""Fresh hostile input for every command, every setting and every route of the page.

`python tests/benchmarks/fuzz_all.py [CASES] [SEED]` makes so many cases (2,000) of four kinds:
settings and variables, options and arguments, files, and requests to a page. Each command runs in a
process of its own, forked from this one with all it imports, in a folder of its own, most of them
beside a store with a day in it. A case is bad if it ends in a traceback, by a signal or with an
unknown exit code, takes longer than 30 s, prints JSON that is none, or damages that store; a
request if the page does not answer, answers 500, or logs an error. Prints the counts, and each bad
case.
"""

from __future__ import annotations

import gzip
import http.client
import importlib
import io
import json
import os
import random
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "tests" / "support"))

from borewarden.cli import COMMANDS, load_command, main  # noqa: E402
from borewarden.settings.count_form import FIELDS  # noqa: E402
from borewarden.settings.environment import _known  # noqa: E402

LONGEST = 30.0  # s
PATIENT = {"reach": 60.0}  # s: it waits 15 s for a first reading, and listens for up to 30 s
ENDLESS = 2.5  # s after which a command that would run for ever is told to end
CODES = {0, 1, 2, 10, 20, 25, 30, 40, 130}
FOREVER = ("watch", "serve")
CHIP = "replay_data/south-2026-03-05-chip.csv"
CONFIGS = [*(ROOT / "config").glob("*.toml"), *(ROOT / "config" / "live").glob("*.toml")]

# what a command imports when it is called; once for all of them here
IMPORTED = (
    "service.process", "service.opcua_face", "service.connection_check", "simulate.serve",
    "look.network", "planning.outlook", "show.report", "show.shift_page", "show.tune_report",
    "replay.fleet", "tune.sweep", "show.count_report", "jewels.rim_image", "store.resend",
)  # fmt: skip
NOBODY = "127.0.0.1:9"  # where nothing listens
MORE_SECTIONS = (
    "[opc_ua]\nport = 4845",
    '[publish]\nhost = "127.0.0.1"\nport = 9\ntopic = "shop/bores"\nuser = "a"\ntls = true',
    f'[influx]\nurl = "http://{NOBODY}"\norg = "shop"\nbucket = "bores"\napi = "v2"',
    '[mail]\nhost = "127.0.0.1"\nport = 9\nsecurity = "none"\nsender = "a@b.example"\n'
    'recipients = ["c@d.example"]\nexpire_after = "7 days"',
)
ADDRESSES = (
    f"modbus://{NOBODY}", f"opc.tcp://{NOBODY}", f"mqtt://{NOBODY}", f"mqtts://{NOBODY}/a/#",
    "modbus+rtu:///dev/null", "modbus://", "opc.tcp://[::1", "mqtt://h:99999", "sparkplug://h",
    f"mqtt://a:b@{NOBODY}/spBv1.0/#",
)  # fmt: skip

NASTY: list[Any] = [
    "", " ", "\0", "\n", "\x1b[31m", "[/b]", "[red]", "=1+1", "'", '"', "\\", "{}", "[]", "[[[[",
    "%s%n", "../../nowhere/file", "/dev/zero", "/dev/full", ".", "-", "--", "-1", "0", "1e999",
    "-1e999", "nan", "inf", "9" * 400, "0.010 in**9**9**9", "1 in^99999999", "(((((1 in",
    "400 MPa MPa", "1,2,3", "1/0 in", "7/8 in", "8,702 bar", "0x10", "1_000", "½ in", "１２ bar",
    "\u202etxt", "\ud800", "é" * 300, "🤖", "2026-13-45", "2026-02-30T25:61",
    "9999-12-31T23:59:59", "0001-01-01", "1e18", "now", "NaT", "None", "true", "UTC",
    "Europe/Nowhere", "../UTC", "a" * 5000, "utf-7", "idna", "rot13", "zlib", "tab", "%Y%Y%Y",
    "%" * 999, "(a+)+$", "ns since 1970", "file:///nowhere", "http://[::1", "opc.tcp://",
    "http://a@b@c/", 0, -1, 1e308, -1e308, float("nan"), float("inf"), 10**30, True, [],
    [1, "a"], [[[]]], {}, {"a": {"b": []}},
]  # fmt: skip


def text_of(value: Any) -> str:
    return value if isinstance(value, str) else repr(value)


def toml_of(value: Any) -> str:
    """`value` as TOML has it; not always valid, which is a case too."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        if random.random() < 0.1:
            return value
        escaped = "".join(
            c if c.isprintable() and c not in '"\\' else f"\\u{ord(c) & 0xFFFF:04X}" for c in value
        )
        return f'"{escaped}"'
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml_of(each)}" for key, each in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml_of, value)) + "]"
    return repr(value)


# -- files


def odd_file(folder: Path, name: str) -> Path:
    """A file that somebody could hand in by mistake, or on purpose."""
    path = folder / name
    seed = random.choice(sorted(p for p in (ROOT / "replay_data").iterdir() if p.is_file()))
    content = seed.read_bytes()[:200_000]
    match random.randrange(14):
        case 0:
            os.mkfifo(path)
            return path
        case 1:
            path.symlink_to(random.choice(["/dev/zero", "/dev/full", "/dev/null", "/dev/random"]))
            return path
        case 2:
            path.mkdir()
            return path
        case 3:
            path.symlink_to(path.name)
            return path
        case 4:
            return path
        case 5:
            content = gzip.compress(b"0," * random.choice([10, 50_000_000]))
        case 6:
            content = b""
        case 7:
            content = random.randbytes(random.choice([1, 100, 10_000]))
        case 8:
            content = content[: random.randrange(len(content))]
        case 9:
            lines = content.splitlines(keepends=True)
            random.shuffle(lines)
            content = b"".join(lines[:2000])
        case 10:
            at = random.randrange(len(content))
            content = (
                content[:at]
                + text_of(random.choice(NASTY)).encode("utf-8", "replace")
                + content[at:]
            )
        case 11:
            content = content.decode("latin-1").encode("utf-16")
        case 12:
            content = random.choice(CONFIGS).read_bytes() + b"\0" * random.randrange(3)
        case _:
            content = (
                b"PK\3\4",
                b"PAR1",
                b"\x1f\x8b",
                b"SQLite format 3\0",
                b"II*\0",
                b"\x89PNG\r\n\x1a\n",
            )[random.randrange(6)] + content[:5000]
    path.write_bytes(content)
    return path


# -- cases of commands: each is words, variables, and whether it would run for ever


def settings_case(folder: Path) -> tuple[list[str], dict[str, str]]:
    """A machine, service or shop file with something wrong in it, or a variable."""
    name = random.choice(["north.toml", "service.toml", "shop.toml"])
    seeds = [
        path
        for path in CONFIGS
        if (path.name in ("service.toml", "shop.toml")) is (path.name == name)
    ]
    seeds = [path for path in seeds if name == "north.toml" or path.name == name] or CONFIGS
    text = random.choice(seeds).read_text()
    text = re.sub(r"(?m)^# ?(\w+ = |\[)", r"\1", text) if random.random() < 0.5 else text
    if name == "service.toml":
        new = [each for each in MORE_SECTIONS if each.partition("\n")[0] not in text]
        text += "\n" + "\n".join(random.sample(new, random.randrange(len(new) + 1)))
    lines = text.splitlines()
    for _ in range(random.choice([1, 1, 1, 2, 5])):
        keyed = [i for i, line in enumerate(lines) if re.match(r"\s*[\w.]+ = ", line)]
        at = random.choice(keyed) if keyed else 0
        match random.randrange(8):
            case 6 | 7:  # the same figure, many times as large or small
                scale = random.choice([0.0, 1e-9, 1e-3, 0.5, 1.5, 2.0, 10.0, 1e3, 1e9, -1.0])
                lines[at] = re.sub(
                    r"(?<=[= \"])\d+(?:\.\d+)?",
                    lambda m, by=scale: f"{float(m[0]) * by:.6g}",
                    lines[at],
                    count=1,
                )
            case 0 | 1 | 2:
                lines[at] = f"{lines[at].partition('=')[0]}= {toml_of(random.choice(NASTY))}"
            case 3:
                del lines[at]
            case 4:
                lines.insert(at, lines[random.randrange(len(lines))])
            case _:
                lines.insert(at, f"x{random.randrange(9)} = {toml_of(random.choice(NASTY))}")
    (folder / "config").mkdir()
    north = ROOT / "config" / "live" / "north-modbus.toml"
    if name != "north.toml":
        shutil.copy(north, folder / "config" / "north.toml")
    with (folder / "config" / name).open("w", encoding="utf-8", errors="surrogatepass") as file:
        file.write("\n".join(lines))
    variables = {}
    if random.random() < 0.4:
        prefix = "BOREWARDEN_"
        chosen = random.choice(_known()[1])
        if random.random() < 0.2:
            chosen += random.choice(["__X", "__0", "__", "_", "__A__B"])
        variables[prefix + chosen] = text_of(random.choice(NASTY)).replace("\0", "")
    machine, store = str(folder / "config" / "north.toml"), ["--store", str(folder / "a.db")]
    log = str(random.choice(sorted((ROOT / "replay_data").glob("*.csv"))))
    words = random.choice(
        [
            ["watch", "--config", str(folder / "config"), *store],
            ["reach", "--config", str(folder / "config")],
            ["serve", "--machine", machine],
            ["replay", log, "--machine", machine, "--no-store"],
            ["bores", "--machine", machine],
            ["shift", "--config", str(folder / "config"), *store],
            ["plan", "--config", str(folder / "config"), *store],
            ["stock", "--config", str(folder / "config"), *store],
            ["costs", "--config", str(folder / "config"), *store],
            ["store", "prune", "--config", str(folder / "config"), *store],
            ["register", "show", "--config", str(folder / "config"), *store],
        ]
    )
    return words, variables


def all_commands() -> Iterator[tuple[tuple[str, ...], Any]]:
    for name in COMMANDS:
        command = load_command(name)
        subs = getattr(command, "commands", {})
        if subs:
            yield from (((name, sub), each) for sub, each in subs.items())
        else:
            yield (name,), command


SOUND = {
    "at": "2026-03-04T10:17", "first": "2026-03-04", "since": "2026-03-04", "until": "2026-03-06",
    "bore": "0.010 in", "material": "ruby", "by": "Ada", "why": "mended", "end": "chipped",
    "machine": "South", "pressure": "55,000 psi", "strokes": "25", "seconds": "60", "chips": "2",
    "kind": "intensifier", "rated_pressure": "60 kpsi", "plunger": "7/8 in", "stroke": "7.5 in",
    "time_zone": "Europe/Vienna", "changes": "bore=0.012 in", "unit": "pressure=bar", "wears": "0",
    "columns": "pressure=pressure_bar", "fitted": "2026-03-02T06:00", "chip_at": "2026-03-04T10:00",
    "chip_size": "0.08", "date": "2026-03-04", "vary": "watch.limit=0.05:0.1:2", "settings": "2",
    "files": CHIP, "panel": "pressure=3,700 bar", "plate": "rated_pressure=60 kpsi", "listen": "1",
    "source": "unit_id=1", "registers": "holding 0-9", "pause": "0", "units": "US",
    "answer": "rim=chipped", "about": "2026-03-04T10:17", "pump": "intensifier", "separator": "tab",
    "regulation": "none",
}  # fmt: skip


def value_for(parameter: Any, folder: Path, odd: float) -> str:
    """Something for an option or argument: sound, or not."""
    kind = str(parameter.type_descriptor.annotation)
    if parameter.name == "files" and random.random() < 0.5:
        if random.random() < odd:
            return str(odd_file(folder, f"odd{random.randrange(10**9)}.csv"))
        return random.choice([*ADDRESSES, str(ROOT / CHIP), str(ROOT / CHIP)])
    if "Path" in kind:
        if random.random() < odd:
            endings = [
                "csv",
                "csv.gz",
                "parquet",
                "toml",
                "png",
                "tif",
                "xlsx",
                "json",
                "db",
                "txt",
                "xls",
            ]
            return str(odd_file(folder, f"odd{random.randrange(10**9)}.{random.choice(endings)}"))
        fitting = {
            "machine": "config/south.toml", "config": random.choice(["config", "config/live"]),
            "logs": CHIP, "log": CHIP,
        }  # fmt: skip
        if parameter.name in fitting:
            return str(ROOT / fitting[parameter.name])
        if parameter.name == "store" and random.random() < 0.7:
            return str(shutil.copy(STORE[0], folder / "kept.db"))
        return str(folder / f"{parameter.name}.out")
    choices = re.findall(r"'([^']+)'", kind) if "Literal" in kind else []
    if choices and random.random() > odd:
        return random.choice(choices)
    if random.random() < odd:
        return text_of(random.choice(NASTY)).replace("\0", "")
    if parameter.name in SOUND and random.random() < 0.9:
        return SOUND[parameter.name]
    if "int" in kind or "float" in kind:
        return random.choice(["1", "2", "3"])
    return random.choice(["1", "2", "0.010 in", "ruby", "Ada", "2026-03-04", "yes", "1 h", "South"])


COMMAND_LIST: list[tuple[tuple[str, ...], Any]] = []
STORE: list[Path] = []  # with a chip's day, a jewel, a count, an account and rows that were refused


def make_store(folder: Path) -> Path:
    """What a shop's store has after a day, by the commands that it is made with."""
    from borewarden.store.database import open_store, transaction
    from borewarden.store.influx import SINK
    from borewarden.store.outbox import put, refuse, take

    store = folder / "kept.db"
    south = str(ROOT / "config" / "south.toml")
    for words in (
        ["replay", str(ROOT / CHIP), "--machine", south],
        ["count", "North", "--pressure", "380 MPa", "--strokes", "20", "--seconds", "60",
         "--bore", "0.010 in", "--by", "Ada"],
        ["register", "fit", "South", "--bore", "0.012 in", "--material", "diamond", "--by", "Ada",
         "--fitted", "2026-03-04T06:00"],
        ["account", "add", "ada", "--role", "set"],
    ):  # fmt: skip
        command = [sys.executable, "-m", "borewarden.cli", *words, "--store", str(store)]
        subprocess.run(
            command,
            cwd=folder,
            check=False,
            capture_output=True,
            input=b"four random words, or so\n",
        )
    with open_store(store) as connection, transaction(connection):
        put(connection, SINK, "sample", 1, "sample,machine=South pressure=1 1772600000000000000")
        refuse(connection, SINK, [each.id for each in take(connection, SINK, 10)], "not this row")
    return store


def options_case(folder: Path, odd: float = 0.12) -> tuple[list[str], dict[str, str]]:
    path, command = random.choice(COMMAND_LIST)
    words = list(path)
    for parameter in command.params:
        is_option = parameter.param_type_name == "option"
        if is_option and not parameter.required and random.random() < 0.6:
            continue
        if is_option and (parameter.is_flag or parameter.name == "help"):
            if parameter.name != "help":
                words.append(random.choice([*parameter.opts, *parameter.secondary_opts]))
            continue
        value = value_for(parameter, folder, odd)
        words += [parameter.opts[0], value] if is_option else [value]
    if "--workers" in words:  # no more processes than a case is worth
        words[words.index("--workers") + 1 : words.index("--workers") + 2] = ["1"]
    if random.random() < 0.1:
        words.append(text_of(random.choice(NASTY)).replace("\0", ""))
    return words, {}


def files_case(folder: Path) -> tuple[list[str], dict[str, str]]:
    return options_case(folder, odd=0.5)


def run_case(words: list[str], variables: dict[str, str], folder: Path) -> tuple[str, str]:
    """What came of it: "" or what is bad, and the exit code."""
    log, printed = folder / ".log", folder / ".out"
    child = os.fork()
    if child == 0:
        try:
            os.setsid()
            signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may have it ignored
            os.chdir(folder)
            out = os.open(log, os.O_WRONLY | os.O_CREAT)
            empty = os.open(os.devnull, os.O_RDONLY)
            os.dup2(empty, 0)
            os.dup2(os.open(printed, os.O_WRONLY | os.O_CREAT), 1)
            os.dup2(out, 2)
            sys.stdin = open(0, closefd=False)  # noqa: SIM115
            sys.stdout = io.TextIOWrapper(io.FileIO(1, "w", closefd=False), encoding="utf-8")
            sys.stderr = io.TextIOWrapper(
                io.FileIO(2, "w", closefd=False), encoding="utf-8", write_through=True
            )
            from borewarden.cli import terminal

            terminal.out.file, terminal.err.file = sys.stdout, sys.stderr
            os.environ.update(variables)
            sys.argv = ["borewarden", *words]
            code = 0
            try:
                main()
            except SystemExit as end:
                code = end.code if isinstance(end.code, int) else 1 if end.code else 0
            except BaseException:
                import traceback

                traceback.print_exc()
                code = 99
            sys.stdout.flush()
            os._exit(code)
        finally:
            os._exit(98)
    began, is_told = time.monotonic(), False
    longest = PATIENT.get(words[0], LONGEST)
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        age = time.monotonic() - began
        if done:
            break
        if words[0] in FOREVER and age > ENDLESS and not is_told:
            is_told = True
            os.kill(child, signal.SIGTERM if words[0] == "watch" else signal.SIGINT)
        if age > longest:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return f"longer than {longest:.0f} s", "hang"
        time.sleep(0.01 if age < 2.0 else 0.1)
    said = log.read_text(errors="replace") if log.exists() else ""
    code = os.waitstatus_to_exitcode(status)
    if "Traceback (most recent call last)" in said or "Exception ignored" in said:
        return "traceback: " + said.strip().splitlines()[-1][:300], str(code)
    if code not in CODES and not (is_told and code in (-signal.SIGINT, -signal.SIGTERM)):
        return f"exit code {code}: {said[-300:]!r}", str(code)
    return told_wrong(words, code, printed) or damage(folder / "kept.db"), str(code)


def told_wrong(words: list[str], code: int, printed: Path) -> str:
    """What is wrong with JSON that was asked for and printed, or ""."""
    text = printed.read_text(errors="replace") if printed.exists() else ""
    if "--json" not in words or code or "--help" in words:
        return ""

    def none(name: str) -> None:
        raise ValueError(f"{name} is no JSON")

    try:
        json.loads(text, parse_constant=none)
    except ValueError as error:
        return f"no JSON: {error}: {text[:200]!r}"
    return ""


def damage(store: Path) -> str:
    """What is wrong with the store that a command was given, or ""."""
    if not store.is_file():
        return ""
    try:
        with closing(sqlite3.connect(store)) as connection:
            answer = connection.execute("PRAGMA quick_check").fetchone()[0]
    except sqlite3.DatabaseError as error:
        answer = str(error)
    return "" if answer == "ok" else f"the store is damaged: {answer}"


# -- requests


def request_case(port: int, cookie: str) -> str:
    """One request, sound or not; what is bad about the answer, or ""."""
    paths = [
        "/", "/events", "/history", "/status", "/healthz", "/metrics", "/count", "/trail",
        "/login", "/logout", "/session", "/acknowledge", "/shelve", "/unshelve",
        "/static/page.js", "/palette.css", "/plotly.min.js", "/nowhere", "/count", "/count",
    ]  # fmt: skip
    path = random.choice(paths)
    nasty = lambda: text_of(random.choice(NASTY))  # noqa: E731
    if random.random() < 0.3:
        fields = {
            k: nasty().encode("utf-8", "replace")
            for k in random.sample(["machine", "hours", "x"], 2)
        }
        path += "?" + urlencode(fields)
    if random.random() < 0.1:
        path += random.choice(
            ["/", "/..", "%00", "%2e%2e/", "//", "?" * 50, "#", "%ff", "a" * 3000]
        )
    if random.random() < 0.15:
        return raw_case(port)
    names = ["machine", "by", "until", "name", "password", "at", "note", "new_jewel", *FIELDS]
    form = {}
    odd = random.choice([0.05, 0.6])
    for name in random.sample(names, random.randrange(len(names))):
        sound = SOUND.get(name) or random.choice(["North", "10", "380 MPa", "0.010 in", ""])
        form[name] = nasty() if random.random() < odd else sound
    if random.random() < 0.5:
        form |= {"name": random.choice(["North", "Old pump"]), "by": "Ada"}
    body = urlencode({k: v.encode("utf-8", "replace") for k, v in form.items()})
    headers = {
        "Content-Type": "application/x-www-form-urlencoded",
        "Origin": f"http://127.0.0.1:{port}",
    }
    if random.random() < 0.8:
        headers["Cookie"] = cookie
    if random.random() < 0.2:
        header = random.choice(
            ["Cookie", "Origin", "Host", "Authorization", "X-Forwarded-For", "Content-Type"]
        )
        headers[header] = (
            nasty()
            .replace("\n", "")
            .replace("\0", "")
            .encode("latin-1", "replace")
            .decode("latin-1")
        )
    method = random.choice(["GET", "GET", "POST", "POST", "HEAD", "PUT", "OPTIONS", "DELETE"])
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=LONGEST)
    try:
        connection.request(method, path, body if method in ("POST", "PUT") else None, headers)
        answer = connection.getresponse()
        content = answer.read(2000)
        if answer.status >= 500 and answer.status != 503:
            return f"{method} {path[:80]} {form}: {answer.status} {content[:100]!r}"
    except TimeoutError:
        return f"{method} {path[:80]}: no answer in {LONGEST:.0f} s"
    except (http.client.HTTPException, ValueError, OSError):
        pass
    finally:
        connection.close()
    return ""


LOGIN = b"POST /login HTTP/1.1\r\nHost: 127.0.0.1\r\n"


def raw_case(port: int) -> str:
    sent = random.choice([
        b"\0" * 100, random.randbytes(500), b"GET / HTTP/9.9\r\n\r\n", b"GET  \r\n\r\n",
        b"PRI * HTTP/2.0\r\n\r\n", b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: a\r\n\r\n",
        b"GET /" + b"a" * 100_000 + b" HTTP/1.1\r\n\r\n",
        LOGIN + b"Content-Length: -1\r\n\r\n",
        LOGIN + b"Transfer-Encoding: chunked\r\n\r\nzz\r\n",
        LOGIN + b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"a: b\r\n" * 5000 + b"\r\n", b"\x16\x03\x01\x02\x00\x01\x00",
    ])  # fmt: skip
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=LONGEST) as raw:
            raw.sendall(sent)
            raw.shutdown(socket.SHUT_WR)
            said = raw.recv(100)
    except TimeoutError:
        return f"{sent[:60]!r}: no answer"
    except OSError:
        return ""
    return f"{sent[:60]!r}: {said!r}" if b" 500 " in said else ""


def fuzz_page(cases: int, told: Counter[str]) -> list[str]:
    """So many requests to a page with accounts, in a child; what was bad."""
    import logging

    from borewarden.service import doors
    from borewarden.service.passwords import hashed
    from borewarden.store.accounts import Account, set_account
    from borewarden.store.database import open_store
    from doors_page import PASSWORD, Page

    doors.BY_ADDRESS = (1e9, 1.0)
    doors.BY_NAME = (1e9, 1.0)
    logged: list[str] = []

    class Listen(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.levelno >= logging.ERROR:
                logged.append(f"{record.getMessage()} {record.exc_info and record.exc_info[1]!r}")

    logging.getLogger().addHandler(Listen())
    bad = []
    with tempfile.TemporaryDirectory() as name:
        store = Path(name) / "borewarden.db"
        with open_store(store) as connection:
            set_account(connection, Account("set", "set", hashed(PASSWORD)))
        page = Page(store)
        cookie = page.cookie("set")
        for number in range(cases):
            wrong = request_case(page.port, cookie)
            told["requests"] += 1
            if page.ask("GET", "/session", Cookie=cookie)[0] != 204:
                cookie = page.cookie("set")  # it has logged itself out
            bad += [f"request {number}: {each}" for each in (wrong, *logged) if each]
            logged.clear()
        page.end()
    return bad


def run() -> None:
    cases, seed = (
        int(word)
        for word in (*sys.argv[1:], *("2000", str(time.time_ns() % 10**6))[len(sys.argv) - 1 :])
    )
    random.seed(seed)
    COMMAND_LIST.extend(all_commands())
    for module in IMPORTED:
        importlib.import_module(f"borewarden.{module}")
    kept = tempfile.TemporaryDirectory()
    STORE.append(make_store(Path(kept.name)))
    told: Counter[str] = Counter()
    bad: list[str] = []
    began = time.monotonic()
    kinds = {"settings": settings_case, "options": options_case, "files": files_case}
    for number in range(cases * 3 // 4):
        kind = list(kinds)[number % 3]
        folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
        try:
            words, variables = kinds[kind](folder)
            words = [
                word.encode("utf-8", "surrogatepass").decode("utf-8", "replace") for word in words
            ]
            variables = {
                k: v.encode("utf-8", "surrogatepass").decode("utf-8", "replace")
                for k, v in variables.items()
            }
            wrong, code = run_case(words, variables, folder)
            told[f"{kind}, exit code {code}"] += 1
            if wrong:
                bad.append(f"{kind} {number}: {wrong}\n    {variables} {words}")
                print(bad[-1], flush=True)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
    bad += (page := fuzz_page(cases - cases * 3 // 4, told))
    for line in page:
        print(line, flush=True)
    print(f"seed {seed}: {cases} cases in {time.monotonic() - began:.0f} s, {len(bad)} bad")
    for what, count in sorted(told.items()):
        print(f"  {what}: {count}")
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    run()
