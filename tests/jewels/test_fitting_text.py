"""Fittings as text: exact there and back, one jewel in a head at a time, refusals that help."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from borewarden.base.errors import BadInput
from borewarden.jewels.fitting import End, Fitting
from borewarden.jewels.fitting_text import (
    FIELDS,
    Frame,
    csv_text,
    fitting_of,
    place_fittings,
    read_csv,
    texts_of,
    time_text,
)
from borewarden.physics.orifice import DISCHARGE_COEFFICIENTS
from borewarden.settings import load_machine
from borewarden.settings.consistency import misfit

NOW = 1_790_000_000 * 10**9  # in 2026
SOME_TIME = 1_760_000_000 * 10**9
VIENNA = Frame(NOW, {"North": "Europe/Vienna"})
MINUTE = 60 * 10**9


def fitting(at: int = 0, out: int | None = None, **fields: object) -> Fitting:
    """A ruby in head 1 of North, fitted and taken out at these minutes."""
    base = Fitting("North", "1", SOME_TIME + at * MINUTE, 0.254e-3, "ruby")
    if out is not None:
        base = replace(base, out_ns=SOME_TIME + out * MINUTE, end=End.WORN)
    return replace(base, **fields)


def text() -> st.SearchStrategy[str]:
    printable = st.characters(exclude_categories=("C", "Z"), include_characters=" ")
    return st.text(printable, max_size=40).map(str.strip)


def number(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_subnormal=False)


def or_none(strategy: st.SearchStrategy[object]) -> st.SearchStrategy[object]:
    return st.none() | strategy


@st.composite
def any_fitting(draw: Callable[..., object]) -> Fitting:
    fitted_ns = draw(st.integers(950_000_000 * 10**9, NOW - 1))
    out_ns = draw(or_none(st.integers(fitted_ns + 1, NOW)))
    mixing = draw(or_none(st.booleans()))
    most = 0.0 if out_ns is None else min((out_ns - fitted_ns) / 3600e9, 1e5)
    return Fitting(
        machine=draw(text().filter(bool)),
        head=draw(text().filter(bool)),
        fitted_ns=fitted_ns,
        bore=draw(number(5e-5, 1e-3)),
        material=draw(st.sampled_from(sorted(DISCHARGE_COEFFICIENTS))),
        out_ns=out_ns,
        end=None if out_ns is None else draw(st.sampled_from(End)),
        earlier_hours=draw(number(0.0, 1e5)),
        noted_hours=None if out_ns is None else draw(or_none(number(0.0, most))),
        discharge_coefficient=draw(or_none(number(0.3, 1.0))),
        batch=draw(text()),
        mixing_chamber=mixing,
        chamber_hours=None if mixing is False else draw(or_none(number(0.0, 1e5))),
        tube_bore=draw(or_none(number(2e-4, 3e-3))),
        tube_hours=draw(or_none(number(0.0, 1e5))),
        last_chance_filter=draw(or_none(st.booleans())),
        tds_ppm=draw(or_none(number(0.0, 1e5))),
        low_pressure_start=draw(or_none(st.booleans())),
        handling=draw(text()),
        note=draw(text()),
    )


@settings(max_examples=80, deadline=None)
@given(st.lists(any_fitting(), max_size=4))
def test_csv_gives_back_the_very_same_fittings(
    tmp_path_factory: pytest.TempPathFactory, there: list[Fitting]
) -> None:
    file = tmp_path_factory.mktemp("csv") / "a.csv"
    file.write_text(csv_text(there), encoding="utf-8", newline="")
    if there:
        assert [found for _, found in read_csv(file, Frame(NOW))] == there
    else:
        with pytest.raises(BadInput, match="only a header"):
            read_csv(file, Frame(NOW))


def test_every_field_of_a_fitting_has_a_column() -> None:
    assert {field.attribute for field in FIELDS.values()} == set(Fitting.__dataclass_fields__)


def test_stock_bores_are_shown_as_the_shop_writes_them() -> None:
    shown = [texts_of(fitting(bore=inch * 0.0254))["bore"] for inch in (0.010, 0.012, 0.0138)]
    assert shown == ["0.254 mm", "0.012 in", "0.35052 mm"]


def read(frame: Frame = VIENNA, **texts: str) -> Fitting:
    base = {"machine": "North", "head": "1", "fitted": "2026-03-02T06:00", "bore": "0.010 in"}
    return fitting_of({**base, "material": "ruby", **texts}, frame, "test", str)


def test_time_without_offset_is_local_to_the_machine() -> None:
    six = dt.datetime(2026, 3, 2, 6, tzinfo=ZoneInfo("Europe/Vienna"))
    assert read().fitted_ns == round(six.timestamp()) * 10**9
    assert read(fitted="2026-03-02T00:00-05:00").fitted_ns == read().fitted_ns
    assert read(fitted="2026-03-02 06:00:00.123456789").fitted_ns - read().fitted_ns == 123456789
    assert time_text(read(fitted="2026-03-02T06:00:00.5").fitted_ns) == (
        "2026-03-02T05:00:00.500000+00:00"
    )


@pytest.mark.parametrize(
    ("time", "wrong"),
    [
        ("2026-03-29T02:30", "was skipped by the clocks of Europe/Vienna"),
        ("2025-10-26T02:30", "came twice that night in Europe/Vienna"),
    ],
)
def test_time_that_the_clock_skipped_or_showed_twice_is_refused(time: str, wrong: str) -> None:
    with pytest.raises(BadInput, match=wrong):
        read(fitted=time)
    assert read(fitted=f"{time}+01:00")


def test_unknown_end_is_entered_where_only_the_time_out_is_stated() -> None:
    assert read(out="2026-03-03T06:00").end is End.UNKNOWN


# -- one jewel in a head at a time


def test_jewel_still_fitted_is_closed_by_the_next_one() -> None:
    placed = place_fittings({4: fitting()}, [("line 2", fitting(60))], "a.csv")
    closed = replace(fitting(), out_ns=fitting(60).fitted_ns, end=End.UNKNOWN)
    assert placed == ([("line 2", fitting(60))], {4: closed}, [])


def test_other_heads_and_machines_are_left_alone() -> None:
    held = {1: fitting(head="2"), 2: fitting(machine="South")}
    assert place_fittings(held, [("line 2", fitting(60))], "a.csv").closed == {}


def test_rows_close_one_another_in_order_of_time_not_of_the_file() -> None:
    rows = [("line 2", fitting(60)), ("line 3", fitting(0)), ("line 4", fitting(30, 40))]
    placed = place_fittings({}, rows, "a.csv")
    assert [each.out_ns and (each.out_ns - SOME_TIME) // MINUTE for _, each in placed.new] == [
        None, 30, 40,
    ]  # fmt: skip


def test_rows_that_are_there_already_are_skipped_also_the_open_one_taken_out_since() -> None:
    held = {1: fitting(0, 10), 2: fitting(20, 30)}
    rows = [("line 2", fitting(0, 10)), ("line 3", fitting(20)), ("line 4", fitting(20))]
    assert place_fittings(held, rows, "a.csv") == ([], {}, ["line 2", "line 3", "line 4"])


@pytest.mark.parametrize(
    ("held", "rows", "words"),
    [
        ([fitting(0, 50)], [fitting(40)], "line 2: it overlaps fitting 1 on head 1"),
        ([fitting(40)], [fitting(0, 50)], "line 2: it overlaps fitting 1 on head 1"),
        ([], [fitting(0, 50), fitting(40)], "line 3: it overlaps the one in line 2"),
        ([], [fitting(40), fitting(0, 50)], "line 2: it overlaps the one in line 3"),
        ([fitting(0, 50)], [fitting(10, 20)], "line 2: it overlaps fitting 1"),
        ([fitting()], [fitting(material="diamond")], "line 2: fitting 1 has the same head"),
        ([], [fitting(), fitting(bore=3e-4)], "line 3: the one in line 2 has the same head"),
    ],
)
def test_two_jewels_in_one_head_at_a_time_are_refused(
    held: list[Fitting], rows: list[Fitting], words: str
) -> None:
    named = [(f"line {i}", row) for i, row in enumerate(rows, start=2)]
    with pytest.raises(BadInput, match=words):
        place_fittings(dict(enumerate(held, start=1)), named, "a.csv")


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 20), or_none(st.integers(1, 9)), st.sampled_from("12")),
        max_size=6,
        unique_by=lambda row: (row[0], row[2]),
    ),
    st.integers(0, 6),
)
def test_whatever_is_taken_in_never_overlaps_and_is_skipped_the_second_time(
    spans: list[tuple[int, int | None, str]], split: int
) -> None:
    rows = [
        (f"line {i}", fitting(at, None if long is None else at + long, head=head))
        for i, (at, long, head) in enumerate(spans)
    ]
    held: dict[int, Fitting] = {}
    for part in (rows[:split], rows[split:]):
        try:
            placed = place_fittings(held, part, "a.csv")
        except BadInput:
            return
        held |= placed.closed | {len(held) + i: each for i, (_, each) in enumerate(placed.new)}
    for head in "12":
        there = sorted(
            (each for each in held.values() if each.head == head), key=lambda f: f.fitted_ns
        )
        for one, after in itertools.pairwise(there):
            assert one.out_ns is not None
            assert one.out_ns <= after.fitted_ns
    again = place_fittings(held, rows, "a.csv")
    assert again.new == []
    assert again.closed == {}


def test_register_adds_to_the_machine_file_and_holds_for_the_same_jewel() -> None:
    machine = load_machine(Path(__file__).parents[2] / "config" / "north.toml")
    stated = machine.jewels()
    near = fitting(bore=3e-4, discharge_coefficient=0.66, earlier_hours=5.0)
    for off, is_same in ((60, True), (-60, True), (61, False), (-61, False)):
        recorded = replace(near, fitted_ns=stated[0].fitted_ns + off * 10**9)
        jewels = machine.jewels([recorded])
        assert jewels[:-1] == (stated[1:] if is_same else stated)
        newest = jewels[-1]
        assert (newest.bore, newest.discharge_coefficient, newest.jet_hours) == (3e-4, 0.66, 5.0)
        assert newest.fitted_ns == recorded.fitted_ns
    at_its_time = replace(near, fitted_ns=stated[0].fitted_ns)
    others = [replace(at_its_time, machine="South"), replace(at_its_time, head="2")]
    assert machine.jewels(others)[:2] == stated
    assert len(machine.jewels(others)) == 3


def test_bore_is_judged_beside_what_the_other_heads_hold_at_that_time() -> None:
    machine = load_machine(Path(__file__).parents[2] / "config" / "north.toml")
    first_ns = machine.jewels()[0].fitted_ns
    beside = Fitting("North", "2", first_ns + MINUTE, 0.3e-3, "ruby")
    alone = Fitting("North", "1", first_ns, 0.3e-3, "ruby")
    out = replace(alone, out_ns=first_ns + MINUTE, end=End.PLANNED)
    for there, fits in (([], True), ([alone], False), ([out], True)):
        wrong = misfit(machine, machine.jewels([*there, beside]), beside.fitted_ns)
        assert (wrong is None) is fits, wrong
        if wrong is not None:
            assert "the pump can't feed it" in wrong[0]
            assert "the largest stock bore that fits is" in wrong[1]


def test_file_that_is_no_csv_text_is_refused(tmp_path: Path) -> None:
    for name, content, wrong in (
        ("a.csv", b"", "the file is empty"),
        ("b.csv", b"machine,head\xff", "is not UTF-8 text"),
        ("c.csv", b"\n\n  \n", "the file is empty"),
    ):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(BadInput, match=wrong):
            read_csv(tmp_path / name, Frame(NOW))
    with pytest.raises(BadInput, match="there is no such file"):
        read_csv(tmp_path / "d.csv", Frame(NOW))
    with pytest.raises(BadInput, match="directory"):
        read_csv(tmp_path, Frame(NOW))
