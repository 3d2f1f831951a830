"""Machine code on disk: never older than its sources, and never where the package is installed.

Each process is a real one, on a copy of the package.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import numba
import pytest
from numba.core import event

import borewarden
from borewarden.base.compiling import KEPT, PACKAGE, sources_of

WITH_LOOPS = sorted(
    file
    for file in PACKAGE.rglob("*.py")
    if re.search(r"^@compiled$", file.read_text(encoding="utf-8"), re.MULTILINE)
)

# A gate of ten minutes of steady jet, beside the same area by the plain formulas.
GATE = """
import json
import numpy as np
from borewarden.base.samples import samples_of
from borewarden.gate.gate import Gate, GateSettings
from borewarden.gate.gate_loop import run_on_bytes
from borewarden.physics import is_compiled
from borewarden.physics.pump import Displacement, area_of_rate

displacement = Displacement(7.6e-5, 8e-6, 1.0)
settings = GateSettings(2e-8, 2.0, 500e6, 200e6, 20e6, False, True)
one = np.ones(600)
samples = samples_of(np.arange(600) * 10**9, pressure=370e6 * one, rate=0.2 * one)
before = is_compiled(run_on_bytes)
_, batches = Gate(settings, displacement).learn_many(samples)
print(json.dumps({
    "before": before,
    "after": is_compiled(run_on_bytes),
    "made": sum(run_on_bytes.stats.cache_misses.values()),
    "gate": float(batches["area"][0]),
    "formula": float(area_of_rate(displacement, 0.2, 370e6, settings.default_temperature)),
}))
"""

# The smallest loop of the package.
CLIP = """
import json
from borewarden.detect.step import clip
from borewarden.physics import is_compiled

before = is_compiled(clip)
value = clip(3.0, 2.0, 0.1, 1.0)
print(json.dumps({
    "before": before, "after": is_compiled(clip),
    "made": sum(clip.stats.cache_misses.values()), "value": value,
}))
"""

# A loop in a file of its own, which is all that it is compiled from but for a formula.
SMALL = """
import json
from pathlib import Path
from borewarden.physics import compiled, is_compiled
from borewarden.physics.water import tait_b

@compiled
def small(x):
    return 1.0 * x + 0.0 * tait_b(300.0)

if __name__ == "__main__":
    before = is_compiled(small)
    value = small(2.0)
    kept_in = small.stats.cache_path
    try:
        Path(compiled.__code__.co_filename).with_name("written.txt").write_text("")
        read_only = False
    except OSError:
        read_only = True
    print(json.dumps({
        "before": before, "after": is_compiled(small), "value": value, "kept_in": kept_in,
        "read_only": read_only,
    }))
"""


@pytest.fixture
def install(tmp_path: Path) -> Path:
    """A folder with a copy of the package in it."""
    ignored = shutil.ignore_patterns("__pycache__")
    shutil.copytree(PACKAGE, tmp_path / "install" / "borewarden", ignore=ignored)
    return tmp_path / "install"


def run(install: Path, script: Path | str, home: Path, *before: str, **env: str) -> dict:
    """What the script prints, run on the package in `install` by a user whose home is `home`."""
    home.mkdir(exist_ok=True)
    what = [str(script)] if isinstance(script, Path) else ["-c", script]
    done = subprocess.run(
        [*before, sys.executable, *what],
        env={
            "PATH": os.environ["PATH"],
            "HOME": str(home),
            "LOCALAPPDATA": str(home / ".cache"),
            "PYTHONPATH": str(install),
            "PYTHONDONTWRITEBYTECODE": "1",
            **env,
        },
        cwd=home,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    said: dict = json.loads(done.stdout)
    return said


def test_gate_sees_an_edited_formula_and_is_compiled_only_then(
    install: Path, tmp_path: Path
) -> None:
    home = tmp_path / "home"
    first = run(install, GATE, home)
    assert first["gate"] == pytest.approx(first["formula"], rel=1e-9)
    assert (first["before"], first["after"], first["made"]) == (False, True, 1)
    again = run(install, GATE, home)
    assert again == {**first, "before": True, "made": 0}

    water = install / "borewarden" / "physics" / "water.py"
    text = water.read_text(encoding="utf-8")
    assert "TAIT_C = 0.127944" in text
    water.write_text(text.replace("TAIT_C = 0.127944", "TAIT_C = 0.100000"), encoding="utf-8")
    edited = run(install, GATE, home)
    assert abs(edited["formula"] / first["formula"] - 1.0) > 1e-3
    assert edited["gate"] == pytest.approx(edited["formula"], rel=1e-9)
    assert (edited["before"], edited["after"], edited["made"]) == (False, True, 1)


@pytest.mark.parametrize("file", WITH_LOOPS, ids=lambda file: file.stem)
def test_sources_are_all_files_that_the_import_of_a_loop_really_reads(file: Path) -> None:
    """Python's own list of what it imported, beside the one read from the text."""
    module = ".".join(("borewarden", *file.relative_to(PACKAGE).with_suffix("").parts))
    script = f"""
import json, sys, {module}
print(json.dumps([
    m.__file__ for n, m in list(sys.modules.items()) if n.split(".")[0] == "borewarden"
]))
"""
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "PYTHONPATH": str(PACKAGE.parent)},
        capture_output=True,
        text=True,
        check=True,
    )
    read = {Path(name) for name in json.loads(done.stdout)}
    assert file in read
    assert read <= set(sources_of(file))


def test_loops_of_the_package_are_found() -> None:
    assert Path(borewarden.__file__).parent == PACKAGE
    assert PACKAGE / "gate" / "gate_loop.py" in WITH_LOOPS


def make_read_only(folder: Path) -> None:
    for path in [*folder.rglob("*"), folder]:
        path.chmod(0o555 if path.is_dir() else 0o444)


@pytest.fixture
def obeying() -> list[str]:
    """What to put before a command so that file modes bind it, as they don't bind root."""
    if os.name == "nt":
        pytest.skip("folders have no modes here")
    if os.getuid() != 0:
        return []
    if shutil.which("setpriv") is None:
        pytest.skip("modes don't bind root, and setpriv is missing (util-linux)")
    return ["setpriv", "--bounding-set=-dac_override"]


def test_read_only_install_keeps_its_code_in_the_users_cache_folder(
    install: Path, tmp_path: Path, obeying: list[str]
) -> None:
    make_read_only(install)
    home = tmp_path / "home"
    first = run(install, CLIP, home, *obeying)
    assert (first["before"], first["after"], first["made"]) == (False, True, 1)
    second = run(install, CLIP, home, *obeying)
    assert (second["before"], second["after"], second["made"]) == (True, True, 0)
    assert list((home / ".cache" / "borewarden").rglob("step.clip-*.nbc"))
    assert not list(install.rglob("*.nb?"))


def test_code_goes_where_numba_is_told_or_the_user_keeps_caches_or_nowhere(
    install: Path, tmp_path: Path, obeying: list[str]
) -> None:
    make_read_only(install)
    script = tmp_path / "small.py"
    script.write_text(SMALL)
    given, caches, home = tmp_path / "given", tmp_path / "caches", tmp_path / "home"
    told = run(install, script, home, *obeying, NUMBA_CACHE_DIR=str(given))
    assert told["read_only"]
    assert Path(told["kept_in"]).is_relative_to(given)
    assert not (home / ".cache").exists()

    closed = tmp_path / "closed"
    closed.mkdir(mode=0o555)
    kept = {"XDG_CACHE_HOME": str(caches), "LOCALAPPDATA": str(caches)}
    other = run(install, script, home, *obeying, NUMBA_CACHE_DIR=str(closed), **kept)
    assert Path(other["kept_in"]).is_relative_to(caches / "borewarden")

    for _ in range(2):
        nowhere = run(install, script, closed, *obeying)
        assert nowhere["kept_in"] is None
        assert (nowhere["before"], nowhere["after"], nowhere["value"]) == (False, True, 2.0)


def test_old_code_is_removed_but_for_the_last_few(install: Path, tmp_path: Path) -> None:
    script = tmp_path / "small.py"
    given = tmp_path / "given"
    for k in range(1, KEPT + 3):
        script.write_text(SMALL.replace("1.0 * x", f"{k}.0 * x"))
        said = run(install, script, tmp_path / "home", NUMBA_CACHE_DIR=str(given))
        assert said["value"] == 2.0 * k
        assert len(list(given.iterdir())) == min(k, KEPT)
        assert Path(said["kept_in"]).is_dir()


class Impatient(event.Listener):
    """Somebody who presses Ctrl-C whenever the compiler begins."""

    def on_start(self, event: object) -> None:
        signal.raise_signal(signal.SIGINT)

    def on_end(self, event: object) -> None:
        pass


def test_an_interrupt_waits_for_the_compiler() -> None:
    """LLVM calls Python back, and loses a KeyboardInterrupt raised in there."""

    def double(value: float) -> float:
        return 2.0 * value

    loop = numba.njit(double)  # nothing is kept of it, so that it is compiled in each run
    # what is started in a script's background has it ignored
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with event.install_listener("numba:compile", Impatient()), pytest.raises(KeyboardInterrupt):
            loop(1.0)
    finally:
        signal.signal(signal.SIGINT, before)
    assert loop.signatures == [(numba.float64,)]
    assert loop(2.0) == 4.0
