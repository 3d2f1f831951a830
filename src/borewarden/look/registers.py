"""Numbers out of the words of a Modbus device, whose types and word order nobody has told us.

A float gives itself away: its low word jumps about as it pleases, while the two together, in the
right order, move smoothly. All else is taken as whole numbers, a register each; two that may be one
are offered both ways, and the panel tells.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from borewarden.base.samples import Channel
from borewarden.collect.modbus import FORMATS, Order, Register
from borewarden.collect.modbus_steps import word_name
from borewarden.collect.survey import Place

Floats = NDArray[np.float64]

SIZES = (1e-4, 1e8)  # that a measured number has in the units of shops, or it is nought; invented
SMOOTH = 0.2  # of its level: scatter of a reading while the pump works; invented
WILD = 3000.0  # scatter of a low word, whose steps are 65536 all round; invented
FEWEST = 10  # readings
COARSE = 3.0  # scatter of a high word while the pump works; invented
FEW = 4  # counts from one reading to the next; invented
LEAST_BELOW = 2**16 - 2**12  # from here on, a word may well be a small number below zero
FULL = 0.85 * 2**16  # of a low word's range
HALF_WORD = 2**15
WIDE = ("float32", "uint32")  # the likelier first


class Reading(NamedTuple):
    """A place and its values, in the rows of the words."""

    place: Place
    values: Floats


class _Claim(NamedTuple):
    register: Register
    values: Floats
    scatter: float


def numbers_of(places: Mapping[str, Place], words: Mapping[str, Floats]) -> dict[str, Reading]:
    """The numbers in `words` (by the names of `places`), each register in one of them at most."""
    at = {  # in the order in which they were found: the likelier table first, addresses rising
        (int(place.settings["function"]), int(place.settings["address"])): words[name]
        for name, place in places.items()
        if name in words
    }
    tries = [list(_claims(at, words_first, byte_first))
             for words_first in ("big", "little") for byte_first in ("big", "little")]  # fmt: skip
    # a device has one order: the one in which most numbers make sense, and move least
    best = max(tries, key=_sense)
    found: dict[str, Reading] = {}
    taken = set()
    for claim in best:
        register = claim.register
        if register.kind == "float32":  # whole ones may be two that only look like one
            taken |= {(register.function, register.address + i) for i in range(register.count)}
        settings = {
            "function": register.function, "address": register.address, "type": register.kind,
            "word_order": register.words, "byte_order": register.order,
        }  # fmt: skip
        plain = {k: v for k, v in settings.items() if not (k.endswith("order") and v == "big")}
        name = f"{word_name(register.function, register.address)} {register.kind}"
        found[name] = Reading(Place(plain, bare=True), claim.values)
    for name, place in places.items():
        where = (int(place.settings["function"]), int(place.settings["address"]))
        if where in at and where not in taken:
            found[name] = _single(place, at[where])
    return found


def _sense(claims: Sequence[_Claim]) -> tuple[int, int, float]:
    """How much sense an order makes; floats say most, since hardly anything else looks like one."""
    floats = sum(claim.register.kind == "float32" for claim in claims)
    return floats, len(claims), -sum(claim.scatter for claim in claims)


def _single(place: Place, values: Floats) -> Reading:
    """A register of its own: a counter that wraps, or signed where it goes below zero."""
    known = np.isfinite(values)
    steps = np.diff(values[known])
    if not np.any(np.abs(steps) > HALF_WORD):
        return Reading(place, values)
    turned = np.full(len(values), np.nan)
    if np.count_nonzero(steps < 0) == 1:
        turned[known] = np.unwrap(values[known], period=2 * HALF_WORD)
        return Reading(place, turned)
    upper = values[known][values[known] >= HALF_WORD]
    if upper.min() < LEAST_BELOW:
        return Reading(place, values)
    turned[known] = np.where(values[known] < HALF_WORD, values[known],
                             values[known] - 2 * HALF_WORD)  # fmt: skip
    return Reading(Place({**place.settings, "type": "int16"}, bare=True), turned)


def _claims(
    at: Mapping[tuple[int, int], Floats], words_first: Order, byte_first: Order
) -> Iterator[_Claim]:
    """Values of two registers in one order, from the lowest address up."""
    taken: set[tuple[int, int]] = set()
    for function, address in at:
        pair = [(function, address), (function, address + 1)]
        if pair[1] not in at or taken & set(pair):
            continue
        for kind in WIDE:
            register = Register(Channel("", ""), function, address, kind, words_first, byte_first)
            if kind == "uint32" and byte_first == "little":
                continue  # hardly any device, and two small numbers look like it
            claim = _claim(register, at[pair[0]], at[pair[1]])
            if claim is not None:
                taken |= set(pair)
                yield claim
                break


def _claim(register: Register, first: Floats, second: Floats) -> _Claim | None:
    """The two words as one number, if they are one."""
    known = np.isfinite(first) & np.isfinite(second)
    high, low = (first, second) if register.words == "big" else (second, first)
    if _counts(high[known]) or _counts(low[known]):
        return None
    if register.kind == "uint32" and not np.ptp(high[known]):  # the low word alone says it all
        return None
    if np.count_nonzero(known) < FEWEST or np.ptp(high[known]) + np.ptp(low[known]) == 0:
        return None
    values = np.full(len(first), np.nan)
    values[known] = _decoded(register, high[known], low[known])
    seen = values[known]
    if not np.all(np.isfinite(seen)):
        return None
    size = np.abs(seen[seen != 0])
    if len(size) < FEWEST or np.quantile(size, 0.05) < SIZES[0] or size.max() > SIZES[1]:
        return None
    working = np.abs(seen) > 0.5 * np.quantile(np.abs(seen), 0.9)
    at_work = seen[working]
    plain_high = high[known] if register.order == "big" else _swapped(high[known])
    if register.kind == "uint32" and _scatter(plain_high[working]) > COARSE:  # it moves by itself
        return None
    scatter = _scatter(at_work) / float(np.median(np.abs(at_work)))
    if scatter > SMOOTH or not _is_pair(register, high[known], low[known], seen):
        return None
    return _Claim(register, values, scatter)


def _counts(words: Floats) -> bool:
    """Whether a word goes up by a few now and then: a counter's low word needs no high one."""
    steps = np.diff(np.unwrap(words, period=2 * HALF_WORD))
    risen = steps[steps != 0]
    return len(risen) > 1 and bool(np.all(risen > 0)) and float(np.median(risen)) <= FEW


def _is_pair(register: Register, high: Floats, low: Floats, values: Floats) -> bool:
    """Whether the low word goes with the high one: it is wild, or nought in round floats."""
    order = "big" if register.order == "big" else "little"
    plain = low if order == "big" else _swapped(low)
    if register.kind == "float32" and not np.any(plain):
        return bool(np.all(values == np.rint(values)))
    upper = high if order == "big" else _swapped(high)
    apart = np.abs(upper - np.quantile(upper, 0.5, method="nearest"))
    if np.ptp(plain[apart == 0]) > FULL and not np.any((apart > 0) & (apart <= FEW)):
        return False  # the low word goes all round, and never carries into the high one
    steps = np.abs(np.diff(plain))
    return bool(np.ptp(plain) > WILD and np.quantile(steps[steps > 0], 0.5) > WILD / 100)


def _swapped(words: Floats) -> Floats:
    whole = words.astype(np.uint16)
    return whole.byteswap().astype(np.float64)


def _decoded(register: Register, high: Floats, low: Floats) -> Floats:
    """As `collect.modbus.decode` does it, for all rows at once."""
    if register.order == "little":
        high, low = _swapped(high), _swapped(low)
    both = np.stack([high, low], axis=1).astype(">u2")
    form = FORMATS[register.kind].replace("I", "u4").replace("f", "f4")
    with np.errstate(all="ignore"):
        return np.frombuffer(both.tobytes(), dtype=form).astype(np.float64)


def _scatter(values: Floats) -> float:
    low, high = np.quantile(values, [0.16, 0.84])
    return float(high - low) / 2.0
