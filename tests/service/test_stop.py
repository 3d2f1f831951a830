"""A stop ends the watch in time, whatever hangs. Real processes; a shim before libc hangs."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from power_cut import library_of

ROOT = Path(__file__).parents[2]
SHIM = ROOT / "tests" / "support" / "what_hangs.c"
# the real command, which gives up after a second instead of nine
COMMAND = (
    "from borewarden.service import process; process.LONGEST_STOP = 1.0; "
    "from borewarden.cli import main; main()"
)


@pytest.mark.parametrize("hangs", ["name server", "disk"])
def test_a_stop_ends_the_watch_whatever_hangs(tmp_path: Path, hangs: str) -> None:
    machine = (ROOT / "config" / "live" / "north-modbus.toml").read_text()
    assert 'host = "127.0.0.1"' in machine
    (tmp_path / "north.toml").write_text(machine.replace("127.0.0.1", "controller.hangs"))
    (tmp_path / "service.toml").write_text("[page]\nport = 0\n")
    seen, store = tmp_path / "seen", tmp_path / "a.db"
    variables = os.environ | {
        "LD_PRELOAD": str(library_of(SHIM, tmp_path)),
        "HANGING_SEEN": str(seen),
    } | ({"HANGING_DISK": "1"} if hangs == "disk" else {})  # fmt: skip
    words = ["watch", "--config", str(tmp_path), "--store", str(store)]
    process = subprocess.Popen(
        [sys.executable, "-c", COMMAND, *words], env=variables, stderr=subprocess.PIPE, text=True
    )
    try:
        deadline = time.monotonic() + 300.0  # it may have to compile
        while not seen.exists():
            assert process.poll() is None
            assert time.monotonic() < deadline
            time.sleep(0.05)
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=60.0)
    finally:
        process.kill()
        process.wait()
    if hangs == "disk":  # nothing can be kept, so it says where it hangs and ends
        assert process.returncode == 1
        assert "Timeout (0:00:01)!" in said
        assert "in open_store" in said
    else:  # nobody waits for an answer that nobody wants
        assert process.returncode == 0
        assert '"stopped"' in said
        assert "Timeout" not in said
