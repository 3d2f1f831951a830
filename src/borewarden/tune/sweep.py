"""Judges many settings, here or on a cluster; what is judged is kept, so a stop costs little."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import Generic, TypeVar

import numpy as np

import borewarden
from borewarden.base.errors import BadInput
from borewarden.base.parallel import spread
from borewarden.gate.gate import GateSettings
from borewarden.tune.days import Shop
from borewarden.tune.grid import Candidate
from borewarden.tune.outcome import Found, Gathered, Outcome, gather, judge_setting
from borewarden.watcher.settings import WatchSettings

Answer = TypeVar("Answer")


def sweep(
    shop: Shop,
    candidates: Sequence[Candidate],
    kept: Path | None = None,
    workers: int = 2,
    scheduler: str | None = None,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> list[Outcome]:
    """What each of the `candidates` makes of the stretch, in their order.

    In so many processes or on the cluster of `scheduler`, see `spread`; the result is the same
    anywhere. With the folder `kept`, each one is written to a file there that is named after all
    that it depends on; what stands in it is not worked out again. `progress` hears of settings
    done, and of how many. A Ctrl-C is passed on as KeyboardInterrupt. Raises BadInput for a setting
    that can't be watched with, ChildProcessError where a worker went down with it, and what
    `spread` does.
    """
    file = None if kept is None else kept / f"tune-{_fingerprint(shop)}.jsonl"
    names = [_name_of(candidate) for candidate in candidates]
    known = _read_kept(file)
    outcomes = {k: known[name] for k, name in enumerate(names) if name in known}
    progress(len(outcomes), len(candidates))
    todo = [k for k in range(len(candidates)) if k not in outcomes]
    if not todo:
        return [outcomes[k] for k in range(len(candidates))]
    if kept is not None:
        kept.mkdir(parents=True, exist_ok=True)
    untried = [candidates[k] for k in todo]
    with closing(on_settings(judge_setting, shop, untried, workers, scheduler)) as answers:
        for i, outcome in answers:
            outcomes[todo[i]] = outcome
            if file is not None:
                with file.open("a", encoding="utf-8") as handle:
                    handle.write(json.dumps([names[todo[i]], dataclasses.asdict(outcome)]) + "\n")
            progress(len(outcomes), len(candidates))
    return [outcomes[k] for k in range(len(candidates))]


def on_settings(
    what: Callable[[Shop, list[Gathered], WatchSettings], Answer],
    shop: Shop,
    candidates: Sequence[Candidate],
    workers: int,
    scheduler: str | None = None,
) -> Generator[tuple[int, Answer], None, None]:
    """`what` of the shop, the batches and `[watch]` of each candidate: its place and the answer.

    Gate by gate, so that what one has gathered is used again. Raises as `sweep` does.
    """
    gates = list(dict.fromkeys(candidate.gate for candidate in candidates))
    order = sorted(range(len(candidates)), key=lambda k: gates.index(candidates[k].gate))
    tasks = [candidates[k] for k in order]
    bench = _Bench(what, shop, _code())
    with closing(spread(partial(_at, bench), tasks, workers, scheduler)) as answers:
        for i, answer in answers:
            if isinstance(answer, ValueError | OSError):
                raise answer
            if isinstance(answer, Exception):
                said = f"{tasks[i].words}: {type(answer).__name__}: {answer}"
                raise ChildProcessError(said) from answer
            yield order[i], answer


@dataclass
class _Bench(Generic[Answer]):
    """What each worker has before it, with what the last setting's gate gathered."""

    what: Callable[[Shop, list[Gathered], WatchSettings], Answer]
    shop: Shop
    code: str
    last: tuple[GateSettings, list[Gathered]] | None = None


def _at(bench: _Bench[Answer], candidate: Candidate) -> Answer:
    if bench.code != _code():
        raise ValueError("a worker has another version of borewarden: install the same on all")
    last = bench.last
    if last is None or last[0] != candidate.gate:
        bench.last = last = candidate.gate, gather(bench.shop, candidate.gate)
    try:
        return bench.what(bench.shop, last[1], candidate.watch)
    except ValueError as error:
        if isinstance(error, BadInput):
            raise
        right = "take a longer false_alarm_time or a shorter batch_time"
        raise BadInput("range", "watch.false_alarm_time", str(error), right) from None


# -- what is kept


def _fingerprint(shop: Shop) -> str:
    """Of everything that a result depends on besides the setting: samples, trials, labels, code."""
    found = hashlib.sha256()
    for channel in (*shop.samples, shop.jet_clock, shop.on, shop.day_starts_ns, shop.sound):
        found.update(np.ascontiguousarray(channel).tobytes())
    rest = (
        shop.pump,
        shop.jewels,
        shop.strokes_per_count,
        shop.windows,
        shop.trials,
        shop.valve_heads,
    )
    found.update(repr(rest).encode())
    found.update(_code().encode())
    return found.hexdigest()[:16]


@cache
def _code() -> str:
    found = hashlib.sha256()
    package = Path(borewarden.__file__).parent
    for part in ("physics", "model", "tune"):
        for source in sorted((package / part).glob("*.py")):
            found.update(source.read_bytes())
    return found.hexdigest()


def _name_of(candidate: Candidate) -> str:
    return repr((candidate.gate, candidate.watch))


def _read_kept(file: Path | None) -> dict[str, Outcome]:
    known: dict[str, Outcome] = {}
    if file is None or not file.exists():
        return known
    text = file.read_text(encoding="utf-8")
    if not text.endswith("\n"):  # or the next one would be lost in half a line
        with file.open("a", encoding="utf-8") as handle:
            handle.write("\n")
    for line in text.splitlines():
        try:
            name, fields = json.loads(line)
            fields["found"] = [Found(**found) for found in fields["found"]]
            fields["alerts"] = [(time_ns, state) for time_ns, state in fields["alerts"]]
            known[name] = Outcome(**fields)
        except (ValueError, TypeError, KeyError):
            continue  # half a line: the machine went down while it was written
    return known
