"""Figures, not tests: how many small changes of the code its own tests notice.

`python tests/benchmarks/bench_mutants.py [EACH] [SEED] [PACKAGE ...]` draws EACH places at random
in every package, makes one change at each with cosmic-ray (https://cosmic-ray.readthedocs.io,
`pip install cosmic-ray`), and runs the quick tests of the package, until one of them fails. It
works in a copy of the checkout, one change at a time. It prints each change that no test noticed,
and a table with exact 95 % intervals (Clopper & Pearson 1934, Biometrika 26, 404-413).

Places are drawn, not changes: cosmic-ray knows ten replacements of a plus and two of a number. What
could only fail, or do nothing, is left out: bits of floats, annotations, guards, one more in
numbers above 10,000. So are numbers that a comment calls invented: nothing can check them.
"""

from __future__ import annotations

import ast
import difflib
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections import defaultdict
from pathlib import Path
from typing import NamedTuple

import hypothesis.strategies  # these are what takes long to import
import iapws
import numba
import pandas as pd
import pytest
import scipy.optimize
import selenium.webdriver
import statsmodels.api
from cosmic_ray import plugins
from cosmic_ray.commands import init
from cosmic_ray.mutating import use_mutation
from cosmic_ray.work_db import use_db
from cosmic_ray.work_item import MutationSpec
from river import drift
from scipy import stats

LOADED = (hypothesis, iapws, numba, pd, scipy.optimize, selenium.webdriver, statsmodels.api, drift)
OVER_AND_OVER = "stream_and_block or stream_is_block or blocks_of_any_size or any_split_of"
PYTEST = (
    *("-n", "0", "-x", "-q", "--no-header", "-p", "no:cacheprovider"),
    *("-m", "not long", "-k", f"not ({OVER_AND_OVER})"),
)
ROOT = Path(__file__).parents[2]
CODE = Path("src/borewarden")
LEFT_BEHIND = shutil.ignore_patterns(".*", "node_modules", "__pycache__", "*.db")
LARGE = 10_000.0
GUARDS = ("strict=", "frozen=", "eq=", "seed: int = ")  # change nothing that anybody counts on

TESTS = {  # quick tests of each package
    "tune/trade.py": ["tune/test_trade.py"],
    "diagnose": ["diagnose"],
    "physics": ["physics"],
    "detect": ["detect"],
    "lives": [
        *(f"lives/test_{name}.py" for name in ("product_limit", "records", "replacement")),
        *(f"lives/test_{name}.py" for name in ("survival", "posterior", "stock")),
    ],
    "gate": [
        *(f"gate/test_{name}.py" for name in ("gate_loop", "gate", "settling", "open_heads")),
        *(
            f"gate/test_{name}.py"
            for name in ("unstated_valve", "coarse_logs", "jet_time", "stored_volume")
        ),
    ],
    "watcher": [
        *(f"watcher/test_{name}.py" for name in ("verdict", "levels", "known", "monitor")),
        *(f"watcher/test_{name}.py" for name in ("batch_loop", "weighing", "heads", "chatter")),
        *(f"watcher/test_{name}.py" for name in ("second_opinion", "false_rate", "habits")),
        *(f"watcher/test_{name}.py" for name in ("merge", "one_head", "heads_watch")),
        *(f"watcher/test_{name}.py" for name in ("two_levels", "watcher")),
    ],
}

POINTLESS = re.compile(
    r"Binary\w+_(Add|Sub|Mul|Div|FloorDiv|Mod|Pow)_(RShift|LShift|Bit\w+|FloorDiv|Mod)$"
    r"|Binary\w+_Bit\w+_(Add|Sub|Mul|Div|FloorDiv|Mod|Pow|RShift|LShift)$"
    r"|Comparison\w+_(Lt|LtE|Gt|GtE|Eq|NotEq)_(Is|IsNot)$"
    r"|Comparison\w+_(Is|IsNot)_(Lt|LtE|Gt|GtE|Eq|NotEq)$"
    r"|Unary\w+_(USub|UAdd|Delete)_(Invert|Not)$|ExceptionReplacer|Variable"
)


class Outcome(NamedTuple):
    """What became of the changes of one package."""

    places: int
    tried: int
    noticed: int
    seconds: float


def main(arguments: list[str]) -> None:
    each = int(arguments[0]) if arguments else 40
    seed = int(arguments[1]) if len(arguments) > 1 else 0
    outcomes = {}
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder, "copy")
        shutil.copytree(ROOT, copy, ignore=LEFT_BEHIND)
        os.chdir(copy)
        sys.path[:0] = [str(copy / part) for part in ("src", "tests", "tests/support")]
        os.environ["NUMBA_CACHE_DIR"] = str(Path(folder, "machine code"))
        os.environ["NUMBA_OPT"] = "1"  # compiles faster; the same answers
        numba.config.reload_config()
        for package in arguments[2:] or list(TESTS):
            outcomes[package] = try_package(package, each, random.Random(f"{seed} {package}"))
    print("\n| package | places | tried | noticed | 95 % interval | s a change |")
    print("| --- | --- | --- | --- | --- | --- |")
    total = Outcome(*(sum(column) for column in zip(*outcomes.values(), strict=True)))
    for name, outcome in [*outcomes.items(), ("all", total)]:
        print(table_row(name, outcome))


def table_row(name: str, outcome: Outcome) -> str:
    tried, noticed = outcome.tried, outcome.noticed
    low, high = stats.binomtest(noticed, tried).proportion_ci(method="exact")
    return (
        f"| {name} | {outcome.places} | {tried} | {noticed} ({noticed / tried:.0%}) "
        f"| {low:.0%} to {high:.0%} | {outcome.seconds / tried:.0f} |"
    )


def try_package(package: str, each: int, chance: random.Random) -> Outcome:
    tests = [path for name in TESTS[package] for path in test_files(Path("tests", name))]
    begin = time.monotonic()
    if (said := first_failure(tests, 900.0)) is not None:
        raise SystemExit(f"{package}: {said} without a change")
    sys.dont_write_bytecode = True  # of the same second and size as that of another change
    timeout = 120.0 + 4.0 * (time.monotonic() - begin)  # others may need the computer
    places = places_of(package)
    tried, noticed, begin = 0, 0, time.monotonic()
    for place in chance.sample(places, len(places)):
        if tried == each:
            break
        change = chance.choice(place)
        operator = plugins.get_operator(change.operator_name)(**change.operator_args)
        own = f"test_{change.module_path.stem}.py"
        with use_mutation(change.module_path, operator, change.occurrence) as texts:
            if not is_python(texts[1]):
                continue
            said = first_failure(sorted(tests, key=lambda path: path.name != own), timeout)
        tried, noticed = tried + 1, noticed + (said is not None)
        where = f"{package} {tried}/{each} {change.module_path}:{change.start_pos[0]}"
        print(f"{where} {change.operator_name}: {said or 'NOT NOTICED'}", flush=True)
        if said is None:
            lines = difflib.ndiff(*(text.splitlines() for text in texts))
            print(*(f"    {line}" for line in lines if line[0] in "-+"), sep="\n", flush=True)
    return Outcome(len(places), tried, noticed, time.monotonic() - begin)


def is_python(text: str) -> bool:
    """Whether a change has left Python: two asterisks before keywords are no power."""
    try:
        ast.parse(text)
    except SyntaxError:
        return False
    return True


def test_files(path: Path) -> list[Path]:
    return sorted(path.glob("test_*.py")) if path.is_dir() else [path]


def first_failure(tests: list[Path], timeout: float) -> str | None:
    """Run `tests` until one fails; None if none does. In a fork, which has all libraries."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.setsid()
        os.dup2(write, 1)
        os.dup2(write, 2)
        code = int(pytest.main([*PYTEST, *map(str, tests)]))
        sys.stdout.flush()
        os._exit(code)
    os.close(write)
    with os.fdopen(read, errors="replace") as output:
        late = threading.Timer(timeout, os.killpg, (child, signal.SIGKILL))
        late.start()
        said = output.read().splitlines()  # until the tests have ended
        late.cancel()
    if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0:
        return None
    failed = (line for line in said if line.startswith(("FAILED", "ERROR")))
    return next(failed, f"no end, or no beginning: {said[-1:]}")[:120]


def places_of(package: str) -> list[list[MutationSpec]]:
    """The changes worth trying, by the place in the code that they change, in order."""
    root = CODE / package
    modules = [root] if root.suffix else sorted(root.rglob("*.py"))
    places: dict[tuple[str, tuple[int, int], str], list[MutationSpec]] = defaultdict(list)
    with tempfile.TemporaryDirectory() as folder, use_db(str(Path(folder, "db"))) as session:
        init(modules, session, {})
        changes = [change for item in session.work_items for change in item.mutations]
    skipped = {module: annotations(module.read_text()) for module in modules}
    invented = {module: called_invented(module.read_text()) for module in modules}
    texts = {module: module.read_text().splitlines() for module in modules}
    for change in sorted(changes, key=lambda c: (str(c.module_path), c.start_pos, c.operator_name)):
        line = texts[change.module_path][change.start_pos[0] - 1]
        text = line[change.start_pos[1] : change.end_pos[1]]
        if POINTLESS.search(change.operator_name):
            continue
        if any(first <= change.start_pos < last for first, last in skipped[change.module_path]):
            continue
        if line[: change.start_pos[1]].endswith(GUARDS):
            continue
        is_number = "Number" in change.operator_name
        if is_number and change.start_pos[0] in invented[change.module_path]:
            continue
        if is_number and abs(ast.literal_eval(text)) > LARGE:
            continue
        kind = re.sub(r".*/|_.*", "", change.operator_name)
        places[str(change.module_path), change.start_pos, kind].append(change)
    return list(places.values())


def called_invented(source: str) -> set[int]:
    """Numbers of the lines that a comment calls invented: at their end, below or above them.

    A comment above counts for all lines down to the next comment or the next empty line.
    """
    found, above = set(), False
    lines = source.splitlines()
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            above = False
        elif line.startswith("#"):
            of_block = number > 1 and lines[number - 2].startswith("#")
            above = "invented" in line.lower() or (above and of_block)
            if line == "# invented" and not of_block:  # the end of the comment before
                found.add(number - 1)
        elif above or "invented" in line.lower():
            found.add(number)
    return found


def annotations(source: str) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Where annotations begin and end, as (line, column); nothing evaluates them."""
    found = []
    for node in ast.walk(ast.parse(source)):
        for name in ("annotation", "returns"):
            if (note := getattr(node, name, None)) is not None:
                end = (note.end_lineno, note.end_col_offset)
                found.append(((note.lineno, note.col_offset), end))
    return found


if __name__ == "__main__":
    main(sys.argv[1:])
