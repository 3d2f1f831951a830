"""Numbers out of registers whose types, order and scales nobody states: maps drawn at random.

Every map, machine and figure is invented.
"""

from __future__ import annotations

import numpy as np
import pytest

from borewarden.base.samples import Channel
from borewarden.collect.modbus import Register, encode
from borewarden.collect.modbus_steps import word_name
from borewarden.collect.survey import Place, Survey
from borewarden.look.network import Heard, heard_at
from borewarden.look.question import PanelQuestion, Question
from borewarden.look.registers import numbers_of
from borewarden.look.roles import Told

ROWS = 120
SECONDS = 0.5 * np.arange(ROWS)
Signals = dict[str, tuple[Register, np.ndarray]]


def drawn(seed: int) -> Signals:
    """A map: registers of floats or of tenths, in one order, with gaps; and what is in them."""
    chance = np.random.default_rng(seed)
    on = (chance.uniform(0, 20) + SECONDS) % 30.0 < 20.0
    bar, rate = chance.uniform(1500, 4000), chance.uniform(15, 50)
    pressure = bar + chance.normal(0, chance.uniform(1, 10), ROWS) - ~on * chance.choice([0, bar])
    pressure = np.maximum(pressure, 0.0)
    measured = {
        "pressure": pressure, "oil": pressure / 19.3 + chance.normal(2, 0.3, ROWS),
        "rate": on * (rate + chance.normal(0, 0.4, ROWS)), "set_point": np.full(ROWS, bar + 12),
        "current": 12 + 30 * on + chance.normal(0, 0.5, ROWS),
    }  # fmt: skip
    whole = {
        "strokes": 65_530 + np.floor(np.cumsum(on) * 0.5 * rate / 60), "valve": on,
        "milliseconds": SECONDS * 1000 % 65536, "alarms": np.zeros(ROWS),
    }  # fmt: skip
    floats, words = bool(chance.integers(2)), str(chance.choice(["big", "little"]))
    signals: Signals = {}
    address = int(chance.integers(0, 200))
    for name in chance.permutation([*measured, *whole]):
        address += int(chance.choice([0, 0, 0, 1, 2]))
        kind = "uint32" if name == "strokes" else "uint16"
        kind = "float32" if name in measured and floats else kind
        register = Register(Channel(name, ""), 4, address, kind, words)  # type: ignore[arg-type]
        values = np.asarray({**measured, **whole}[name], dtype=float)
        signals[name] = register, values * (10.0 if name in measured and not floats else 1.0)
        address += register.count
    return signals


def words_of(signals: Signals) -> dict[str, np.ndarray]:
    found = {}
    for register, values in signals.values():
        words = np.array([encode(register, value) for value in values], dtype=float)
        found |= {word_name(4, register.address + i): words[:, i] for i in range(register.count)}
    return found


def places_of(words: dict[str, np.ndarray]) -> dict[str, Place]:
    point = {"function": 4, "type": "uint16"}
    return {name: Place({**point, "address": int(name.split()[1])}, bare=True) for name in words}


def survey_of(signals: Signals) -> Survey:
    words = words_of(signals)
    survey = Survey(places_of(words))
    for name, values in words.items():
        for second, value in zip(SECONDS, values, strict=True):
            survey.take(name, round(second * 1e9) + 10**18, float(value))
    return survey


def test_types_and_orders_are_found_in_nearly_all_maps() -> None:
    wrong = []
    for seed in range(20):
        signals = drawn(seed)
        words = words_of(signals)
        found = numbers_of(places_of(words), words)
        for name in ("pressure", "rate", "oil", "current"):
            register, values = signals[name]
            kind = " float32" if register.kind == "float32" else ""
            seen = found.get(word_name(4, register.address) + kind)
            if seen is None or not np.allclose(seen.values, values, rtol=1e-5, atol=0.6):
                wrong.append((seed, name))
    assert len(wrong) <= 0.04 * 20 * 4, wrong


def heard(signals: Signals) -> Heard:
    return heard_at("modbus://pump", {"kind": "modbus tcp"}, survey_of(signals), [])


def shown_on(signals: Signals, name: str, unit: str) -> str:
    register, values = signals[name]
    return f"{np.quantile(values, 0.9) / (1 if register.kind == 'float32' else 10):.0f} {unit}"


def test_with_the_panel_the_roles_are_right_or_asked_never_wrong() -> None:
    right = 0
    for seed in range(20):
        signals = drawn(seed)
        panel = {"pressure": shown_on(signals, "pressure", "bar"),
                 "rate": shown_on(signals, "rate", "strokes/min")}  # fmt: skip
        machine = heard(signals)
        try:
            roles = {role.channel: role for role in machine.told_anew(Told(panel=panel)).roles}
        except ValueError:  # it asks, or says that the panel shows nothing of it
            continue
        for name, channel in (("pressure", "pressure"), ("strokes", "stroke_count")):
            register, _ = signals[name]
            place = machine.places[roles[channel].column].settings
            low = register.count - 1 if register.words == "big" else 0
            address = register.address + (low if name == "strokes" else 0)
            assert place["address"] == address, (seed, name)
        scale = 1.0 if signals["pressure"][0].kind == "float32" else 0.1
        assert roles["pressure"].scale == scale, seed
        right += 1
    assert right >= 0.8 * 20


def test_without_the_panel_nothing_is_guessed() -> None:
    signals = drawn(3)
    with pytest.raises(PanelQuestion, match="neither unit nor scale"):
        heard(signals).told_anew(Told())


def test_a_counter_that_counts_like_a_clock_is_asked_about() -> None:
    signals = drawn(4)
    on = signals["valve"][1] > 0
    register, _ = signals["strokes"]
    signals["strokes"] = register, np.floor(np.cumsum(on) * 0.5)
    panel = {"pressure": shown_on(signals, "pressure", "bar")}
    with pytest.raises(Question, match="as a clock does"):
        heard(signals).told_anew(Told(panel=panel))
