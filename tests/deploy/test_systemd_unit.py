"""The systemd unit: its syntax, its hardening, and the service under that hardening.

There is no running systemd where this was written, so nobody has started the unit itself. Instead
`systemd-analyze` judges the file, and the service runs without any rights under the very
list of system calls that the unit allows, with a socket that plays the service manager.
"""

from __future__ import annotations

import configparser
import ctypes.util
import ipaddress
import os
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import textwrap
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from borewarden.service.listening import DESCRIPTORS

ROOT = Path(__file__).parents[2]
UNIT = ROOT / "deploy" / "systemd" / "borewarden.service"
ANALYZE = shutil.which("systemd-analyze")
NOBODY = 65534

needs_analyze = pytest.mark.skipif(
    ANALYZE is None and os.environ.get("BOREWARDEN_REQUIRE_SERVERS") != "1",
    reason="systemd-analyze is missing; Debian's package `systemd` has it",
)


def _section(name: str) -> dict[str, list[str]]:
    """Keys and their values: some keys stand several times."""
    keys: dict[str, list[str]] = {}
    section = ""
    for line in UNIT.read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif section == name and line and not line.startswith("#"):
            key, value = line.split("=", 1)
            keys.setdefault(key, []).append(value)
    return keys


def _analyze(*arguments: str) -> subprocess.CompletedProcess[str]:
    assert ANALYZE is not None, "systemd-analyze is missing"
    return subprocess.run(
        [ANALYZE, *arguments], capture_output=True, text=True, timeout=60, check=False
    )


def test_unit_is_a_well_formed_file() -> None:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read(UNIT, encoding="utf-8")
    assert parser.sections() == ["Unit", "Service", "Install"]


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("Type", "notify"),
        ("WatchdogSec", "120"),
        ("Restart", "always"),
        ("DynamicUser", "yes"),
        ("StateDirectory", "borewarden"),
        ("NoNewPrivileges", "yes"),
        ("CapabilityBoundingSet", ""),
        ("AmbientCapabilities", ""),
        ("ProtectSystem", "strict"),
        ("ProtectHome", "yes"),
        ("PrivateTmp", "yes"),
        ("PrivateDevices", "yes"),
        ("ProtectKernelTunables", "yes"),
        ("ProtectKernelModules", "yes"),
        ("ProtectControlGroups", "yes"),
        ("RestrictNamespaces", "yes"),
        ("RestrictSUIDSGID", "yes"),
        ("LockPersonality", "yes"),
        ("RestrictAddressFamilies", "AF_INET AF_INET6 AF_UNIX"),
        ("SystemCallArchitectures", "native"),
        ("IPAddressDeny", "any"),
        ("LimitNOFILE", str(DESCRIPTORS)),
        ("MemoryMax", "2G"),
        ("TasksMax", "256"),
    ],
)
def test_unit_is_hardened(key: str, value: str) -> None:
    assert _section("Service")[key] == [value]


def test_unit_lets_it_talk_to_the_shop_only() -> None:
    [allowed] = _section("Service")["IPAddressAllow"]
    networks = [
        ipaddress.ip_network(each)
        for each in allowed.split()
        if each not in ("localhost", "link-local")
    ]
    assert all(each.is_private for each in networks)
    page = (ROOT / "deploy" / "README.md").read_text(encoding="utf-8")
    assert all(f"`{each}`" in page for each in allowed.split())


def test_unit_starts_the_watch_and_holds_no_secret() -> None:
    service = _section("Service")
    assert shlex.split(service["ExecStart"][0]) == [
        "/opt/borewarden/bin/borewarden",
        "watch",
        "--config",
        "/etc/borewarden",
        "--store",
        "/var/lib/borewarden/borewarden.db",
    ]
    assert "User" not in service
    for line in service["LoadCredential"]:
        name, path = line.split(":")
        assert path == f"/etc/borewarden/secrets/{name}"
        # stands in for a missing file: blank, or else it would be a secret in the unit
        assert f"{name}:\\n" in service["SetCredential"]
    assert not [v for v in service["Environment"] if re.search("token|password|secret", v, re.I)]


@needs_analyze
def test_systemd_finds_nothing_wrong(tmp_path: Path) -> None:
    copy = tmp_path / UNIT.name
    # the program is not installed here, which is all that it may complain of
    copy.write_text(
        UNIT.read_text(encoding="utf-8").replace("/opt/borewarden/bin/borewarden", "/bin/true"),
        encoding="utf-8",
    )
    judged = _analyze("verify", "--man=no", str(copy))
    about_it = [line for line in judged.stderr.splitlines() if UNIT.stem in line]
    assert about_it == []
    assert judged.returncode == 0


@needs_analyze
def test_systemd_finds_it_little_exposed() -> None:
    """0 is none, 10 is all; what is left is the network, which it cannot do without."""
    judged = _analyze("security", "--offline=true", "--no-pager", "--threshold=20", str(UNIT))
    assert judged.returncode == 0, judged.stdout[-400:]


# -- the service under the unit's hardening


def _system_calls(group: str) -> set[str]:
    listed = _analyze("syscall-filter", "--no-pager", group)
    assert listed.returncode == 0, listed.stderr
    names: set[str] = set()
    for line in listed.stdout.splitlines()[1:]:
        word = line.strip()
        if word.startswith("@"):
            names |= _system_calls(word)
        elif word and not word.startswith("#"):
            names.add(word)
    return names


def _allowed() -> set[str]:
    allow, deny = _section("Service")["SystemCallFilter"]
    assert deny.startswith("~")
    allowed = set.union(*(_system_calls(group) for group in allow.split()))
    return allowed - set.union(*(_system_calls(group) for group in deny[1:].split()))


def _open_to_all(path: Path) -> bool:
    return all(folder.stat().st_mode & 0o001 for folder in path.resolve().parents)


# An interpreter in root's home can't be run by anybody else: then it is root without capabilities.
OPEN_TO_ALL = _open_to_all(Path(sys.executable)) and _open_to_all(ROOT / "src")


# Gives up every right, lets through what is listed in the file argv[1], and becomes argv[2:].
# All else answers EPERM, as SystemCallErrorNumber says. libseccomp is what systemd uses too.
CONFINED = textwrap.dedent(
    f"""
    import ctypes, os, pathlib, sys
    lib = ctypes.CDLL("libseccomp.so.2")
    lib.seccomp_init.restype = ctypes.c_void_p
    context = ctypes.c_void_p(lib.seccomp_init(ctypes.c_uint32(0x00050000 | 1)))
    for name in pathlib.Path(sys.argv[1]).read_text().split():
        number = lib.seccomp_syscall_resolve_name(name.encode())
        if number >= 0:  # others are of other architectures
            allow = ctypes.c_uint32(0x7FFF0000)
            assert lib.seccomp_rule_add(context, allow, number, ctypes.c_uint(0)) == 0, name
    if os.getuid() == 0:
        for capability in range(64):
            ctypes.CDLL(None).prctl(24, capability, 0, 0, 0)  # PR_CAPBSET_DROP
        if {OPEN_TO_ALL}:
            os.setgroups([])
            os.setresgid({NOBODY}, {NOBODY}, {NOBODY})
            os.setresuid({NOBODY}, {NOBODY}, {NOBODY})
    os.umask(0o077)
    assert lib.seccomp_load(context) == 0
    os.execv(sys.argv[2], sys.argv[2:])
    """
)


@pytest.fixture
def folder() -> Iterator[Path]:
    """A directory that an account without rights gets into; pytest's own are the owner's."""
    made = Path(tempfile.mkdtemp(prefix="borewarden-"))
    made.chmod(0o755)
    yield made
    shutil.rmtree(made)


@needs_analyze
@pytest.mark.skipif(
    ctypes.util.find_library("seccomp") is None, reason="libseccomp is missing (libseccomp2)"
)
def test_service_runs_within_what_the_unit_allows(folder: Path) -> None:
    program = Path(sys.executable).with_name("borewarden")
    for name in ("etc", "state", "cache"):
        (folder / name).mkdir()
        if os.getuid() == 0 and OPEN_TO_ALL and name != "etc":
            os.chown(folder / name, NOBODY, NOBODY)
    (folder / "allowed").write_text("\n".join(sorted(_allowed())), encoding="utf-8")
    with (
        socket.create_server(("127.0.0.1", 0)) as closed,
        socket.create_server(("127.0.0.1", 0)) as free,
    ):
        silent, port = closed.getsockname()[1], free.getsockname()[1]
    machine = (ROOT / "config" / "live" / "north-modbus.toml").read_text(encoding="utf-8")
    (folder / "etc" / "north.toml").write_text(
        re.sub(r"port = \d+", f"port = {silent}", machine), encoding="utf-8"
    )

    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(folder / "notify"))
    (folder / "notify").chmod(0o777)
    manager.settimeout(120)  # only a bound: the first import may compile
    places = {
        "/opt/borewarden/bin/borewarden": str(program),
        "/etc/borewarden": str(folder / "etc"),
        "/var/lib/borewarden/borewarden.db": str(folder / "state" / "borewarden.db"),
    }
    command = [places.get(w, w) for w in shlex.split(_section("Service")["ExecStart"][0])]
    variables = [
        pair.split("=", 1) for line in _section("Service")["Environment"] for pair in line.split()
    ]
    log = folder / "log"
    with log.open("wb") as output:
        service = subprocess.Popen(
            [sys.executable, "-c", CONFINED, str(folder / "allowed"), *command],
            stdout=output,
            stderr=output,
            cwd="/",
            env={
                "PATH": "/usr/bin:/bin",
                **{k: v.replace("%C/borewarden", str(folder / "cache")) for k, v in variables},
                "NOTIFY_SOCKET": str(folder / "notify"),
                "WATCHDOG_USEC": "1000000",
                "BOREWARDEN_SERVICE_PAGE__PORT": str(port),
            },
        )
    try:
        heard = [manager.recv(4096).decode()]
        while heard[-1].startswith("EXTEND_TIMEOUT_USEC=900000000\n"):  # compiling, restoring
            heard.append(manager.recv(4096).decode())
        assert len(heard) > 1
        heard += [manager.recv(4096).decode() for _ in range(2)]
        assert heard[-3:] == ["READY=1"] + ["WATCHDOG=1"] * 2
        status = Path(f"/proc/{service.pid}/status").read_text(encoding="utf-8")
        assert re.search(r"^Seccomp:\s+2$", status, re.M)
        if os.getuid() == 0:
            assert re.search(r"^CapEff:\s+0+$", status, re.M)
            assert bool(re.search(rf"^Uid:\s+{NOBODY}\s", status, re.M)) == OPEN_TO_ALL
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/status", timeout=30) as answer:
            assert b"North live" in answer.read()
        service.send_signal(signal.SIGTERM)
        while heard[-1] != "STOPPING=1":
            heard.append(manager.recv(4096).decode())
        assert service.wait(timeout=60) == 0
    except TimeoutError:
        pytest.fail(f"the service manager heard nothing: {log.read_text(errors='replace')}")
    finally:
        service.kill()
        service.wait(timeout=60)
        manager.close()
    said = log.read_text(errors="replace")
    assert "Traceback" not in said
    assert (folder / "state" / "borewarden.db").stat().st_mode & 0o777 == 0o600


@needs_analyze
@pytest.mark.skipif(
    ctypes.util.find_library("seccomp") is None, reason="libseccomp is missing (libseccomp2)"
)
def test_sample_loop_compiles_within_what_the_unit_allows(folder: Path) -> None:
    """numba has to write machine code to memory and to the cache directory."""
    (folder / "allowed").write_text("\n".join(sorted(_allowed())), encoding="utf-8")
    (folder / "cache").mkdir()
    if os.getuid() == 0 and OPEN_TO_ALL:
        os.chown(folder / "cache", NOBODY, NOBODY)
    program = Path(sys.executable).with_name("borewarden")
    report = folder / "cache" / "report.html"
    replayed = subprocess.run(
        [
            *(sys.executable, "-c", CONFINED, str(folder / "allowed")),
            *(str(program), "replay", str(ROOT / "replay_data" / "north-2026-03-04-chip.csv")),
            *("--machine", str(ROOT / "config" / "north.toml"), "--report", str(report)),
            *("--store", str(folder / "cache" / "store.db"), "--exit-code"),
        ],
        cwd="/",
        env={
            "PATH": "/usr/bin:/bin",
            "NUMBA_CACHE_DIR": str(folder / "cache" / "numba"),
            "MPLCONFIGDIR": str(folder / "cache" / "matplotlib"),
        },
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert replayed.returncode == 20, replayed.stderr[-2000:]  # probably opened up
    assert list((folder / "cache" / "numba").rglob("*.nbc"))
