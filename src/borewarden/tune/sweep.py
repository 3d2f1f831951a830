"""Judges many settings, here or on a cluster; what is judged is kept, so a stop costs little."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import numpy as np

import borewarden
from borewarden.collect import BadInput
from borewarden.model.gate import GateSettings
from borewarden.spread import spread
from borewarden.tune.grid import Candidate
from borewarden.tune.outcome import Found, Gathered, Outcome, gather, judge_setting
from borewarden.tune.shop import Shop


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
    gates = list(dict.fromkeys(candidate.gate for candidate in candidates))
    todo = [k for k in range(len(candidates)) if k not in outcomes]
    todo.sort(key=lambda k: gates.index(candidates[k].gate))
    if not todo:
        return [outcomes[k] for k in range(len(candidates))]
    if kept is not None:
        kept.mkdir(parents=True, exist_ok=True)
    judge = partial(_judge, _Bench(shop, _code()))
    tasks = [candidates[k] for k in todo]
    with closing(spread(judge, tasks, workers, scheduler)) as answers:
        for i, answer in answers:
            k = todo[i]
            if isinstance(answer, ValueError | OSError):
                raise answer
            if isinstance(answer, Exception):
                what = f"{candidates[k].words}: {type(answer).__name__}: {answer}"
                raise ChildProcessError(what) from answer
            outcomes[k] = answer
            if file is not None:
                with file.open("a", encoding="utf-8") as handle:
                    handle.write(json.dumps([names[k], dataclasses.asdict(answer)]) + "\n")
            progress(len(outcomes), len(candidates))
    return [outcomes[k] for k in range(len(candidates))]


@dataclass
class _Bench:
    """What each worker has before it: the shop, and what the gate of the last setting gathered."""

    shop: Shop
    code: str
    last: tuple[GateSettings, list[Gathered]] | None = None


def _judge(bench: _Bench, candidate: Candidate) -> Outcome:
    if bench.code != _code():
        raise ValueError("a worker has another version of borewarden: install the same on all")
    last = bench.last
    if last is None or last[0] != candidate.gate:
        bench.last = last = candidate.gate, gather(bench.shop, candidate.gate)
    try:
        return judge_setting(bench.shop, last[1], candidate.watch)
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
    rest = (shop.pump, shop.jewels, shop.strokes_per_count, shop.windows, shop.trials)
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
