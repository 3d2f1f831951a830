"""Figures, not tests: how many small changes of the code its own tests notice.

`python tests/benchmarks/bench_mutants.py [EACH] [SEED] [PACKAGE ...]` draws EACH places at random
in every package, makes one change at each with cosmic-ray (https://cosmic-ray.readthedocs.io,
`pip install cosmic-ray`), and runs the quick tests of the package, until one of them fails. It
works in a copy of the checkout, one change at a time. It prints each change that no test noticed,
and a table with exact 95 % intervals (Clopper & Pearson 1934, Biometrika 26, 404-413).

A change within a function that runs as Python is made in a fork in which the tests are loaded
already. There, only files with a test that calls the function are run. Any other change, as of a
constant or of a compiled loop, is written to the file, and all tests are loaded anew.
`NUMBA_DISABLE_JIT=1` runs everything as Python, which suits single tests of a loop.

Places are drawn, not changes: cosmic-ray knows ten replacements of a plus and two of a number. What
could only fail, or do nothing, is left out: bits of floats, annotations, guards, one more in
numbers above 10,000. So are numbers that a comment calls invented: nothing can check them.
"""

from __future__ import annotations

import ast
import difflib
import gc
import json
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
from collections.abc import Callable, Iterator
from pathlib import Path
from types import CodeType, FrameType, FunctionType
from typing import NamedTuple

import hypothesis.strategies  # these are what takes long to import
import iapws
import numba
import pandas as pd
import pytest
import scipy.optimize
import selenium.webdriver
import statsmodels.api
from _pytest.main import pytest_runtestloop
from cosmic_ray import plugins
from cosmic_ray.commands import init
from cosmic_ray.mutating import mutate_code
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
CANT_BE_MADE = 3  # exit code
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
    places = places_of(package)
    changes = drawn(places, each, chance)
    begin = time.monotonic()
    told = Told(package, len(changes))
    in_place = InPlace(changes, told)
    code, said = forked(in_place.run, (tests,), 3600.0)
    if code:
        raise SystemExit(f"{package} without a change: {said[-1:]}")
    done = {int(line.split()[1]): line.split()[2] == "1" for line in said if line[:5] == "DONE "}
    timeout = 120.0 + 4.0 * (time.monotonic() - begin)  # others may need the computer
    sys.dont_write_bytecode = True  # of the same second and size as that of another change
    for number, change in enumerate(changes):
        if number not in done:
            change.path.write_text(change.after)
            own = f"test_{change.path.stem}.py"
            failed = first_failure(sorted(tests, key=lambda path: path.name != own), timeout)
            change.path.write_text(change.before)
            done[number] = told(number, change, failed)
    return Outcome(len(places), len(changes), sum(done.values()), time.monotonic() - begin)


class Change(NamedTuple):
    """One change of a file, which is Python before and after."""

    path: Path
    line: int
    column: int
    operator: str
    before: str
    after: str


def drawn(places: list[list[MutationSpec]], each: int, chance: random.Random) -> list[Change]:
    """One change at each of `each` places: two asterisks before keywords are no power."""
    changes: list[Change] = []
    for place in chance.sample(places, len(places)):
        if len(changes) == each:
            break
        spec = chance.choice(place)
        operator = plugins.get_operator(spec.operator_name)(**spec.operator_args)
        before = spec.module_path.read_text()
        after = mutate_code(before, operator, spec.occurrence)
        if after is not None and is_python(after):
            name, start = spec.operator_name.removeprefix("core/"), spec.start_pos
            changes.append(Change(spec.module_path, *start, name, before, after))
    return changes


class Told:
    """Prints what became of each change, with its lines if nobody noticed."""

    def __init__(self, package: str, of: int) -> None:
        self.package, self.of = package, of
        self.out = os.fdopen(os.dup(1), "w")

    def __call__(self, number: int, change: Change, failed: str | None) -> bool:
        where = f"{self.package} {number + 1}/{self.of} {change.path}:{change.line}"
        print(f"{where} {change.operator}: {failed or 'NOT NOTICED'}", file=self.out)
        if failed is None:
            lines = difflib.ndiff(change.before.splitlines(), change.after.splitlines())
            for line in lines:
                if line[0] in "-+":
                    print(f"    {line}", file=self.out)
        self.out.flush()
        return failed is not None


class InPlace:
    """A plugin of pytest that runs the tests, once loaded, for each change that suits it."""

    def __init__(self, changes: list[Change], told: Told) -> None:
        self.changes, self.told = changes, told
        self.files = {str(change.path.absolute()) for change in changes}
        self.watched = False
        self.called: set[CodeType] = set()

    def run(self, tests: list[Path]) -> int:
        sys.setprofile(self.note)
        return int(pytest.main([*PYTEST, "-s", *map(str, tests)], plugins=[self]))

    def note(self, frame: FrameType, event: str, _: object) -> None:
        if event == "call":
            self.called.add(frame.f_code)

    def functions(self) -> list[str]:
        """Those of the files to change that have been called since this was last asked."""
        called, self.called = self.called, set()
        return [f"{c.co_filename}:{c.co_qualname}" for c in called if c.co_filename in self.files]

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        sys.setprofile(None)
        at_import = set(self.functions())
        self.watched = True
        code, said = forked(run_all, (session, session.items), 3600.0)
        if code:
            raise session.Failed(str(said[-1:]))
        self.watched = False
        ran = [json.loads(line[4:]) for line in said if line.startswith("RAN ")]
        calls = {name: set(functions) for name, _, functions in ran}
        seconds = {name: time for name, time, _ in ran}
        timeout = 30.0 + 3.0 * sum(seconds.values())  # others may need the computer
        for number, change in enumerate(self.changes):
            function = f"{change.path.absolute()}:{function_at(change)}"
            callers = {name for name in calls if function in calls[name]}
            if function in at_import or not callers:
                continue
            items = in_order(session.items, callers, seconds, f"test_{change.path.stem}.py")
            code, said = forked(self.run_changed, (session, items, change), timeout)
            if code == CANT_BE_MADE:
                continue
            failed = next((line for line in said if line.startswith("FAILED")), "no end")
            noticed = self.told(number, change, failed[:120] if code else None)
            print(f"\nDONE {number} {int(noticed)}", flush=True)
        return True

    def run_changed(self, session: pytest.Session, items: list[pytest.Item], change: Change) -> int:
        made = codes_of(compile(change.after, str(change.path.absolute()), "exec"))
        new = {(code.co_qualname, code.co_firstlineno): code for code in made}
        try:
            for each in gc.get_objects():
                if isinstance(each, FunctionType):
                    code = each.__code__
                    if code.co_filename == str(change.path.absolute()):
                        each.__code__ = new[code.co_qualname, code.co_firstlineno]
        except (KeyError, ValueError):  # another first line, or other variables from outside
            return CANT_BE_MADE
        return run_all(session, items)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        begin = time.monotonic()
        sys.setprofile(self.note if self.watched else None)
        try:
            return (yield)
        finally:
            sys.setprofile(None)
            if self.watched:
                known = [item.nodeid, time.monotonic() - begin, self.functions()]
                print(f"\nRAN {json.dumps(known)}", flush=True)  # behind what pytest prints

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            print(f"\nFAILED {report.nodeid}", flush=True)
            os._exit(1)


def run_all(session: pytest.Session, items: list[pytest.Item]) -> int:
    session.items = items
    return int(not pytest_runtestloop(session))


def in_order(
    items: list[pytest.Item], callers: set[str], seconds: dict[str, float], own: str
) -> list[pytest.Item]:
    """The files of those `items` that are `callers`: these first, the file's own test before all.

    What a file makes once for all of its tests is called by the first of them alone.
    """
    of_file: dict[Path, float] = defaultdict(float)
    for item in items:
        if item.nodeid in callers:
            of_file[item.path] += seconds[item.nodeid]

    def key(item: pytest.Item) -> tuple[bool, bool, float, str, float]:
        first = item.nodeid not in callers, item.path.name != own
        return *first, of_file[item.path], str(item.path), seconds[item.nodeid]

    return sorted((item for item in items if item.path in of_file), key=key)


def codes_of(code: CodeType) -> Iterator[CodeType]:
    yield code
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from codes_of(constant)


def function_at(change: Change) -> str | None:
    """The function of Python, or the method, whose body is changed; None if there is none."""
    compiled = () if numba.config.DISABLE_JIT else ("compiled", "compilable")
    tree = ast.parse(change.before)
    classes = [node for node in tree.body if isinstance(node, ast.ClassDef)]
    for prefix, body in [("", tree.body), *((f"{node.name}.", node.body) for node in classes)]:
        for node in body:
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                first = node.body[0]
                start = first.lineno, first.col_offset
                if start <= (change.line, change.column) and change.line <= (node.end_lineno or 0):
                    marks = {ast.unparse(mark) for mark in node.decorator_list}
                    return None if marks & set(compiled) else prefix + node.name
    return None


def is_python(text: str) -> bool:
    """Whether a change has left Python."""
    try:
        ast.parse(text)
    except SyntaxError:
        return False
    return True


def test_files(path: Path) -> list[Path]:
    return sorted(path.glob("test_*.py")) if path.is_dir() else [path]


def first_failure(tests: list[Path], timeout: float) -> str | None:
    """Load and run `tests` until one fails; None if none does."""
    code, said = forked(pytest.main, ([*PYTEST, *map(str, tests)],), timeout)
    if code == 0:
        return None
    failed = (line for line in said if line.startswith(("FAILED", "ERROR")))
    return next(failed, f"no end, or no beginning: {said[-1:]}")[:120]


def forked(
    work: Callable[..., int], given: tuple[object, ...], timeout: float
) -> tuple[int, list[str]]:
    """Exit code and output of `work`, in a fork, with all libraries; ended after `timeout` s."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.setsid()
        os.dup2(write, 1)
        os.dup2(write, 2)
        code = 1
        try:
            code = int(work(*given))
        except BaseException as error:
            print(f"{type(error).__name__}: {error}")
        sys.stdout.flush()
        os._exit(code)
    os.close(write)
    with os.fdopen(read, errors="replace") as output:
        late = threading.Timer(timeout, os.killpg, (child, signal.SIGKILL))
        late.start()
        said = output.read().splitlines()  # until the tests have ended
        late.cancel()
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), said


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
