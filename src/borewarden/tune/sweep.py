"""Judges many settings in several processes; what is judged is kept, so a stop costs little."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import multiprocessing
import pickle
import signal
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

import borewarden
from borewarden.collect import BadInput
from borewarden.model.bore import WatchSettings
from borewarden.model.gate import Samples, samples_of
from borewarden.tune.grid import Candidate
from borewarden.tune.outcome import Found, Gathered, Outcome, gather, judge_setting
from borewarden.tune.shop import Shop


def sweep(
    shop: Shop,
    candidates: Sequence[Candidate],
    kept: Path | None = None,
    workers: int = 2,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> list[Outcome]:
    """What each of the `candidates` makes of the stretch, in their order.

    With the folder `kept`, each result is written to a file there that is named after all that it
    depends on; what stands in it is not worked out again. `progress` hears of settings done, and of
    how many. The result is the same for any number of `workers`. A Ctrl-C ends the workers and is
    passed on as KeyboardInterrupt. Raises BadInput for a setting that can't be watched with.
    """
    file = None if kept is None else kept / f"tune-{_fingerprint(shop)}.jsonl"
    names = [_name_of(candidate) for candidate in candidates]
    known = _read_kept(file)
    outcomes = {k: known[name] for k, name in enumerate(names) if name in known}
    progress(len(outcomes), len(candidates))
    todo = [k for k in range(len(candidates)) if k not in outcomes]

    def done(k: int, outcome: Outcome) -> None:
        outcomes[k] = outcome
        if file is not None:
            with file.open("a", encoding="utf-8") as handle:
                handle.write(json.dumps([names[k], dataclasses.asdict(outcome)]) + "\n")
        progress(len(outcomes), len(candidates))

    if todo and kept is not None:
        kept.mkdir(parents=True, exist_ok=True)
    if not todo:
        pass
    elif workers == 1:
        _in_turn(shop, candidates, todo, done)
    else:
        _in_processes(shop, candidates, todo, done, workers)
    return [outcomes[k] for k in range(len(candidates))]


def _in_turn(
    shop: Shop,
    candidates: Sequence[Candidate],
    todo: list[int],
    done: Callable[[int, Outcome], None],
) -> None:
    for gate in _gates(candidates, todo):
        gathered = gather(shop, gate)
        for k in todo:
            if candidates[k].gate == gate:
                done(k, _judge(shop, gathered, candidates[k].watch))


def _gates(candidates: Sequence[Candidate], todo: list[int]) -> list[Any]:
    return list(dict.fromkeys(candidates[k].gate for k in todo))


def _judge(shop: Shop, gathered: list[Gathered], settings: WatchSettings) -> Outcome:
    try:
        return judge_setting(shop, gathered, settings)
    except ValueError as error:
        if isinstance(error, BadInput):
            raise
        right = "take a longer false_alarm_time or a shorter batch_time"
        raise BadInput("range", "watch.false_alarm_time", str(error), right) from None


# -- processes


def _in_processes(
    shop: Shop,
    candidates: Sequence[Candidate],
    todo: list[int],
    done: Callable[[int, Outcome], None],
    workers: int,
) -> None:
    with tempfile.TemporaryDirectory(prefix="borewarden-tune-") as name:
        folder = Path(name)
        _lay_down(shop, folder)
        # a plain fork would take along the threads of whoever calls; this way all is imported once
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload([__name__])
        pool = ProcessPoolExecutor(
            workers,
            mp_context=context,
            initializer=_begin,
            initargs=(folder,),
        )
        try:
            gates = _gates(candidates, todo)
            places: dict[Future[Path], Any] = {
                _ask(pool, _gather_to, number, gate): gate for number, gate in enumerate(gates)
            }
            asked: dict[Future[Outcome], int] = {}
            waiting: set[Future[Any]] = {*places}
            while waiting:
                finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for future in finished:
                    if future in places:
                        gate, place = places.pop(future), future.result()
                        for k in todo:
                            if candidates[k].gate == gate:
                                judged = _ask(pool, _judge_at, place, candidates[k].watch)
                                asked[judged] = k
                                waiting.add(judged)
                    else:
                        done(asked.pop(future), future.result())
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _ask(pool: ProcessPoolExecutor, what: Callable[..., Any], *words: Any) -> Future[Any]:
    """Submit, and keep a Ctrl-C from a process that starts for it: this one ends them all."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        return pool.submit(what, *words)
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _lay_down(shop: Shop, folder: Path) -> None:
    """The samples as an array that all workers map into memory once, the rest beside it."""
    np.save(folder / "time.npy", shop.samples.time_ns)
    np.save(folder / "channels.npy", np.array(shop.samples[1:]))
    np.save(folder / "clock.npy", shop.jet_clock)
    np.save(folder / "on.npy", shop.on)
    bare = dataclasses.replace(
        shop,
        samples=samples_of(np.empty(0, dtype=np.int64)),
        jet_clock=np.empty(0),
        on=np.empty(0, dtype=np.bool_),
    )
    (folder / "shop.pickle").write_bytes(pickle.dumps(bare))


_folder = Path()


def _begin(folder: Path) -> None:
    global _folder
    _folder = folder
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@lru_cache(maxsize=1)
def _shop() -> Shop:
    def mapped(name: str) -> Any:
        return np.load(_folder / f"{name}.npy", mmap_mode="r")

    shop: Shop = pickle.loads((_folder / "shop.pickle").read_bytes())
    samples = Samples(mapped("time"), *mapped("channels"))
    return dataclasses.replace(shop, samples=samples, jet_clock=mapped("clock"), on=mapped("on"))


def _gather_to(number: int, gate: Any) -> Path:
    place = _folder / f"gate-{number}.pickle"
    place.write_bytes(pickle.dumps(gather(_shop(), gate)))
    return place


@lru_cache(maxsize=1)
def _gathered_at(place: Path) -> list[Gathered]:
    gathered: list[Gathered] = pickle.loads(place.read_bytes())
    return gathered


def _judge_at(place: Path, settings: WatchSettings) -> Outcome:
    return _judge(_shop(), _gathered_at(place), settings)


# -- what is kept


def _fingerprint(shop: Shop) -> str:
    """Of everything that a result depends on besides the setting: samples, trials, labels, code."""
    found = hashlib.sha256()
    for channel in (*shop.samples, shop.jet_clock, shop.on, shop.day_starts_ns, shop.sound):
        found.update(np.ascontiguousarray(channel).tobytes())
    rest = (shop.pump, shop.jewels, shop.strokes_per_count, shop.windows, shop.trials)
    found.update(repr(rest).encode())
    package = Path(borewarden.__file__).parent
    for part in ("physics", "model", "tune"):
        for source in sorted((package / part).glob("*.py")):
            found.update(source.read_bytes())
    return found.hexdigest()[:16]


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
