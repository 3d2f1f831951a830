"""A relief valve or unloader that nobody stated: its level is found, and taken for a closed jet."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.base.samples import Samples, samples_of
from borewarden.gate.batch import BatchKind, Phase
from borewarden.gate.gate import Gate
from borewarden.physics.pump import DirectDrive, area_of_rate
from steady import gate_settings

JET, CLOSED = 330e6, 390e6  # Pa
SPEED = 8.4  # Hz


def samples(levels: NDArray[np.float64], speed: float = SPEED) -> Samples:
    """Those pressures at 1 Hz, the crank turning alike all the time."""
    noise = np.random.default_rng(2).normal(0.0, 2e5, len(levels))
    time_ns = np.arange(1, len(levels) + 1, dtype=np.int64) * 10**9
    return samples_of(time_ns, pressure=levels + noise, rate=np.full(len(levels), speed))


def gate_of(pump: DirectDrive, **changes: object) -> Gate:
    area = float(area_of_rate(pump.displacement, SPEED, JET, 293.15))
    settings = gate_settings(pump, nominal_area=area, max_pressure=5e8, **changes)
    return Gate(settings, pump.displacement)


def test_level_to_which_the_pressure_goes_by_turns_is_that_of_a_closed_jet(
    direct_drive: DirectDrive,
) -> None:
    level = np.repeat([JET, CLOSED] * 5, 60)
    gate = gate_of(direct_drive)
    phases, batches = gate.learn_many(samples(level))
    told = batches[batches["kind"] == BatchKind.CEILING]
    assert len(told) == 1
    assert told["pressure"][0] == pytest.approx(CLOSED, rel=2e-3)
    assert told["rate"][0] == SPEED
    # from the second time that the pressure has come back to it
    assert 300 < told["end_ns"][0] * 1e-9 < 320
    later = np.arange(len(level)) > 320
    assert set(phases[later & (level == CLOSED)]) == {Phase.JET_OFF}
    assert np.mean(phases[later & (level == JET)] == Phase.STEADY) > 0.7
    steady = batches[(batches["kind"] == BatchKind.STEADY) & (batches["start_ns"] > told["end_ns"])]
    assert len(steady) == 8
    assert steady["area"] == pytest.approx(gate.settings.nominal_area, rel=2e-3)
    assert gate.jet_hours * 3600 == pytest.approx(
        5 * 60 + 2 * 60, abs=20
    )  # the first two are not known yet


@pytest.mark.parametrize(
    "level",
    [
        np.repeat([CLOSED, JET], 300),  # a bore has opened
        np.repeat([JET, CLOSED], 300),  # or was blocked
        0.5 * (JET + CLOSED) + 30e6 * np.sin(np.arange(3600) * 2.0 * np.pi / 600.0),  # it wanders
        np.repeat([JET, 0.6 * JET] * 5, 60),  # jets at two pressures that are far apart
        np.repeat([CLOSED, 0.985 * CLOSED] * 5, 60),  # and close together
    ],
    ids=["opened", "blocked", "wanders", "far apart", "close together"],
)
def test_other_changes_of_level_are_no_valve(
    direct_drive: DirectDrive, level: NDArray[np.float64]
) -> None:
    _, batches = gate_of(direct_drive).learn_many(samples(level))
    assert len(batches) > 10
    assert not np.any(batches["kind"] == BatchKind.CEILING)


def test_levels_at_two_speeds_are_two_jets(direct_drive: DirectDrive) -> None:
    """A crank that turns faster holds more pressure with the same jet."""
    level = np.repeat([JET, CLOSED] * 5, 60)
    made = samples(level)
    made = made._replace(rate=np.where(level == JET, SPEED, 1.09 * SPEED))
    phases, batches = gate_of(direct_drive).learn_many(made)
    assert not np.any(batches["kind"] == BatchKind.CEILING)
    assert Phase.JET_OFF not in phases


def test_where_the_valve_is_stated_or_signalled_nothing_is_looked_for(
    direct_drive: DirectDrive,
) -> None:
    level = np.repeat([JET, CLOSED] * 5, 60)
    stated = gate_of(direct_drive, bypass_pressure=0.97 * CLOSED)
    phases, batches = stated.learn_many(samples(level))
    assert not np.any(batches["kind"] == BatchKind.CEILING)
    assert np.mean(phases[level == CLOSED] == Phase.BYPASS) > 0.5
    assert 0.5 * 300 < stated.bypass_hours * 3600 <= 300
    signalled = gate_of(direct_drive)
    _, batches = signalled.learn_many(samples(level)._replace(valve=(level == JET) * 1.0))
    assert not np.any(batches["kind"] == BatchKind.CEILING)
    assert signalled.jet_hours * 3600 == pytest.approx(300, abs=2)


Visit = tuple[float, float, float]


def at_speeds(*visits: Visit) -> Samples:
    """A minute at each of these levels (Pa, Hz, s)."""
    level = np.concatenate([np.full(int(seconds), pressure) for pressure, _, seconds in visits])
    speed = np.concatenate([np.full(int(seconds), rate) for _, rate, seconds in visits])
    return samples(level)._replace(rate=speed)


def turn_at(rate: float) -> list[tuple[float, float, float]]:
    """From the ceiling at this speed to a jet and back."""
    return [(CLOSED, rate, 60), (JET, rate, 60), (CLOSED, rate, 60)]


@pytest.mark.parametrize(("others", "remembered"), [(3, True), (4, False)])
def test_ceilings_are_kept_for_four_speeds(
    direct_drive: DirectDrive, others: int, remembered: bool
) -> None:
    """Once to the ceiling and back at one speed, then at others, then once more at the first.

    Two turns at one speed tell it, if the first is not forgotten over the others.
    """
    slower = [0.97 - 0.03 * k for k in range(others)]
    between = [(CLOSED * part**2, SPEED * part, 60.0) for part in slower]
    day = [*turn_at(SPEED), *between, *turn_at(SPEED)]
    _, batches = gate_of(direct_drive).learn_many(at_speeds(*day))
    told = batches[batches["kind"] == BatchKind.CEILING]
    assert len(told) == remembered
    if remembered:
        assert told["end_ns"][0] / 1e9 == pytest.approx(60.0 * (len(day) - 1), abs=15.0)


def test_a_valve_that_is_known_needs_one_turn_at_another_speed(direct_drive: DirectDrive) -> None:
    """Told once; after that, one turn is enough there, and none is not."""
    slower = 0.9 * SPEED
    day = [*turn_at(SPEED), *turn_at(SPEED)[1:], *turn_at(slower)]
    phases, batches = gate_of(direct_drive).learn_many(at_speeds(*day))
    assert np.count_nonzero(batches["kind"] == BatchKind.CEILING) == 1
    minutes = [set(phases[60 * k + 20 : 60 * k + 60]) for k in range(len(day))]
    assert Phase.JET_OFF in minutes[4]
    assert Phase.JET_OFF not in minutes[5] | minutes[6]  # not known at that speed
    assert Phase.JET_OFF in minutes[7]


def test_a_higher_level_makes_a_ceiling_of_its_own(direct_drive: DirectDrive) -> None:
    """Its turns begin anew: what came back to the lower level was another jet."""
    higher = 1.05 * CLOSED
    day = [*turn_at(SPEED), (higher, SPEED, 60), (JET, SPEED, 60), (higher, SPEED, 60)]
    _, batches = gate_of(direct_drive).learn_many(at_speeds(*day))
    assert not np.any(batches["kind"] == BatchKind.CEILING)
    day += [(JET, SPEED, 60), (higher, SPEED, 60)]
    _, batches = gate_of(direct_drive).learn_many(at_speeds(*day))
    told = batches[batches["kind"] == BatchKind.CEILING]
    assert told["pressure"] == pytest.approx([higher], rel=2e-3)
    assert told["area"] == pytest.approx(
        area_of_rate(direct_drive.displacement, SPEED, higher, 293.15), rel=5e-3
    )
    assert told["time"] == 0.0
    assert told["start_ns"] == told["end_ns"]


@pytest.mark.parametrize(("seconds", "is_valve"), [(21.0, True), (25.0, False)])
def test_a_valve_closes_within_seconds(
    direct_drive: DirectDrive, seconds: float, is_valve: bool
) -> None:
    """20 s from one level to the other, a line from 1 % above the one to 1 % below the other."""
    n = int(seconds)
    up = np.linspace(JET, CLOSED, n)
    leg = np.concatenate([np.full(60, JET), up, np.full(60, CLOSED)])
    level = np.concatenate([np.full(60, CLOSED), leg, leg, leg])
    _, batches = gate_of(direct_drive).learn_many(samples(level))
    assert bool(np.any(batches["kind"] == BatchKind.CEILING)) is is_valve


def test_a_jet_at_another_level_begins_anew(direct_drive: DirectDrive) -> None:
    """Jets by turns at two levels: none of them has come back to the ceiling twice."""
    jets = [JET, 1.04 * JET, JET, 1.04 * JET]
    day = [(CLOSED, SPEED, 60.0)]
    for jet in jets:
        day += [(jet, SPEED, 60.0), (CLOSED, SPEED, 60.0)]
    _, batches = gate_of(direct_drive).learn_many(at_speeds(*day))
    assert not np.any(batches["kind"] == BatchKind.CEILING)
    # within 3 % it is the same jet
    day = [(pressure if pressure != 1.04 * JET else 1.02 * JET, *rest) for pressure, *rest in day]
    _, batches = gate_of(direct_drive).learn_many(at_speeds(*day))
    assert np.count_nonzero(batches["kind"] == BatchKind.CEILING) == 1


def test_a_jet_shorter_than_two_looks_at_its_level_is_none(direct_drive: DirectDrive) -> None:
    """8 s to find the level, 8 s in which it has to stay; a shut line leaks away meanwhile."""
    for seconds, told in ((14.0, False), (19.0, True)):
        day = [(CLOSED, SPEED, 60.0)] + [(JET, SPEED, seconds), (CLOSED, SPEED, 60.0)] * 3
        _, batches = gate_of(direct_drive).learn_many(at_speeds(*day))
        assert bool(np.any(batches["kind"] == BatchKind.CEILING)) is told
    leaking = np.concatenate(
        [np.full(60, CLOSED), *[JET * np.exp(-4e-4 * np.arange(60)), np.full(60, CLOSED)] * 3]
    )
    _, batches = gate_of(direct_drive).learn_many(samples(leaking))
    assert not np.any(batches["kind"] == BatchKind.CEILING)


@pytest.mark.parametrize(("looks", "told"), [(5, False), (9, True)])
def test_a_slow_log_takes_longer_to_show_a_level(
    direct_drive: DirectDrive, looks: int, told: bool
) -> None:
    """At one look in 10 s a level takes three of them, and twice that for a jet."""
    level = np.concatenate([np.full(60, CLOSED), np.tile(np.repeat([JET, CLOSED], [looks, 9]), 3)])
    made = samples(level)
    gate = gate_of(direct_drive, settle_time=6.0)
    _, batches = gate.learn_many(made._replace(time_ns=10 * made.time_ns))
    assert bool(np.any(batches["kind"] == BatchKind.CEILING)) is told


JUST_OPEN = 0.8 * JET  # Pa, for some seconds as the jet opens


def held_line(times: int) -> Samples:
    """Jets, each after a pause in which the crank slows down and the pressure stays."""
    once = [
        (JET, SPEED, 60),
        (0.99 * JET, SPEED, 20),
        (0.99 * JET, 0.7 * SPEED, 20),
        (JUST_OPEN, SPEED, 5),
    ]
    return at_speeds(*once * times)


def test_a_line_whose_pressure_stays_while_the_crank_slows_down_is_shut(
    direct_drive: DirectDrive,
) -> None:
    """At a fixed bore the pressure goes as the square of the speed."""
    gate = gate_of(direct_drive)
    phases, batches = gate.learn_many(held_line(6))
    second = np.arange(len(phases)) % 105
    assert set(phases[(second >= 85) & (second < 100)]) == {Phase.JET_OFF}
    assert Phase.JET_OFF not in phases[(second >= 5) & (second < 55)]
    assert gate.state.held_line.times == 6
    # not counted before the third time that the line was seen to hold
    openings = batches["openings"][batches["kind"] == BatchKind.STEADY]
    assert openings[0] == 0
    assert np.unique(openings[openings > 0]).tolist() == [4, 5, 6]


def test_a_reading_that_stands_still_shows_no_shut_line(direct_drive: DirectDrive) -> None:
    """The pressure goes with the crank's speed, but its reading does not."""
    made = at_speeds((JET, SPEED, 3600), *[(JET, SPEED, 20), (JET, 0.7 * SPEED, 20)] * 4)
    pressure = made.pressure.copy()
    gate = gate_of(direct_drive)
    pressure[3610:] = pressure[3610]
    gate.learn_many(made._replace(pressure=pressure))
    assert gate.state.held_line.times == 0


@pytest.mark.parametrize(("wild", "shut"), [(1, True), (2, False)])
def test_one_wild_reading_opens_no_shut_line(
    direct_drive: DirectDrive, wild: int, shut: bool
) -> None:
    made = at_speeds((JET, SPEED, 60), (0.99 * JET, SPEED, 20), (0.99 * JET, 0.7 * SPEED, 40))
    made.pressure[100 : 100 + wild] *= 1.04
    gate = gate_of(direct_drive)
    gate.learn_many(made)
    assert bool(gate.state.held_line.is_shut) is shut


def test_a_pressure_that_only_falls_is_no_opening(direct_drive: DirectDrive) -> None:
    """As a jet opens, the pressure falls below where it will be; a chip lets it fall to there."""
    after = [(JET, SPEED, 60), (0.9 * JET, SPEED, 60), (0.85 * JET, SPEED, 60)]
    gate = gate_of(direct_drive)
    gate.learn_many(held_line(4))
    before = int(gate.state.held_line.openings)
    later = at_speeds(*after)
    gate.learn_many(later._replace(time_ns=later.time_ns + 4 * 105 * 10**9))
    assert gate.state.held_line.openings == before + 1  # of the last pause


def test_a_line_that_leaks_away_for_a_minute_holds(direct_drive: DirectDrive) -> None:
    level = np.concatenate([np.full(120, JET), JET * (1.0 - 4e-4 * np.arange(200))])
    gate = gate_of(direct_drive)
    gate.learn_many(samples(level))
    assert gate.state.held_line.times == 3


@pytest.mark.parametrize("every", [30, 60])
def test_noise_of_a_slow_log_is_no_line_that_leaks_away(
    direct_drive: DirectDrive, every: int
) -> None:
    """There two looks that fall last for a minute; a shut line falls from look to look."""
    noise = np.random.default_rng(4).normal(0.0, 2e6, 2000)
    steady = samples(JET + noise)
    gate = gate_of(direct_drive)
    gate.learn_many(steady._replace(time_ns=steady.time_ns * every))
    assert gate.state.held_line.times == 0
    leaks = samples(np.concatenate([np.full(50, JET), JET * (1.0 - 0.01 * np.arange(30))]))
    gate = gate_of(direct_drive)
    gate.learn_many(leaks._replace(time_ns=leaks.time_ns * every))
    assert gate.state.held_line.times > 0


def leaking_pauses(leak: float, times: int = 4) -> NDArray[np.float64]:
    """Jets of a minute, each after a pause of one in which the pressure falls by `leak`, 1/s."""
    pause = JET * (1.0 - leak * np.arange(60))
    return np.tile(np.concatenate([np.full(60, JET), pause, np.full(5, JUST_OPEN)]), times)


@pytest.mark.parametrize("leak", [1e-3, 2.5e-3])
def test_how_a_shut_line_leaks_is_learned(direct_drive: DirectDrive, leak: float) -> None:
    gate = gate_of(direct_drive)
    _, batches = gate.learn_many(samples(leaking_pauses(leak)))
    assert batches["leak"][0] == 0.0
    assert batches["leak"][-1] == pytest.approx(leak, rel=0.2)


@pytest.mark.parametrize(("falls_by", "seconds"), [(1e-3, 40), (4e-3, 60)])
def test_a_jet_that_settles_or_falls_away_shows_no_leak(
    direct_drive: DirectDrive, falls_by: float, seconds: int
) -> None:
    """What is over soon may be the jet; what falls faster than any line leaks is none."""
    falls = JET * (1.0 - falls_by * np.arange(seconds))
    once = np.concatenate([np.full(60, JET), falls, np.full(5, JUST_OPEN)])
    gate = gate_of(direct_drive)
    gate.learn_many(samples(np.tile(once, 4)))
    assert gate.state.held_line.leak == 0.0


def test_what_leaks_away_before_any_jet_shows_no_leak(direct_drive: DirectDrive) -> None:
    """Then there is no level yet that it could be measured from."""
    falls = np.concatenate([JET * (1.0 - 2e-3 * np.arange(60)), np.full(60, JET)])
    gate = gate_of(direct_drive, working_pressure=1.1 * JET)
    gate.learn_many(samples(falls))
    assert gate.state.held_line.leak == 0.0


def test_two_turns_hours_apart_make_no_ceiling(direct_drive: DirectDrive) -> None:
    """Two disturbances of one size, days apart, are no habit of the line."""
    gate = gate_of(direct_drive)
    turn = np.repeat([CLOSED, JET, CLOSED], [60, 60, 60])
    apart = np.concatenate([turn, np.full(11_000, CLOSED), turn])
    _, batches = gate.learn_many(samples(apart))
    assert not np.any(batches["kind"] == BatchKind.CEILING)


def test_no_ceiling_where_a_line_is_known_to_hold(direct_drive: DirectDrive) -> None:
    held = held_line(5)
    gate = gate_of(direct_drive)
    gate.learn_many(held)
    later = samples(np.repeat([JET, CLOSED] * 5, 60))
    _, batches = gate.learn_many(later._replace(time_ns=later.time_ns + held.time_ns[-1]))
    assert not np.any(batches["kind"] == BatchKind.CEILING)


def test_a_stated_bypass_holds_the_pressure_at_any_speed(direct_drive: DirectDrive) -> None:
    gate = gate_of(direct_drive, bypass_pressure=0.97 * JET)
    phases, _ = gate.learn_many(at_speeds((JET, SPEED, 60), (JET, 0.8 * SPEED, 60)))
    assert set(phases[10:60]) | set(phases[70:]) == {Phase.BYPASS}


@pytest.mark.parametrize(
    ("times", "speed", "known"), [(3, 1.0, True), (2, 1.0, False), (3, 0.5, False)]
)
def test_a_line_that_empties_while_the_crank_turns_on_shows_what_a_closed_jet_looks_like(
    direct_drive: DirectDrive, times: int, speed: float, known: bool
) -> None:
    """A crank that runs down with its pressure is a stop, and shows nothing of the jet."""
    day = [(JET, SPEED, 60.0)]
    for _ in range(times):
        day += [(0.03 * JET, speed * SPEED, 10.0), (JET, SPEED, 60.0)]
    _, batches = gate_of(direct_drive).learn_many(at_speeds(*day))
    steady = batches[batches["kind"] == BatchKind.STEADY]
    assert not steady["closed_known"][0]
    assert steady["closed_known"][-1] == known


IDLE = 0.6 * SPEED  # Hz


def cut_and_idle(jet: float = JET, closed: float = CLOSED, stays: float = 20.0) -> list[Visit]:
    """A jet, then it is closed for a while at the same speed, then the crank idles."""
    falls = [0.7 * closed, 0.4 * closed]
    slow = [(pressure, IDLE, 3.0) for pressure in falls]
    return [(jet, SPEED, 60.0), (closed, SPEED, stays), *slow, (0.3 * jet, IDLE, 10.0)]


def shares(phases: NDArray[np.int8], day: list[Visit], phase: Phase) -> NDArray[np.float64]:
    """Share of the last ten seconds of each visit that is this phase."""
    ends = np.cumsum([int(seconds) for *_, seconds in day])
    return np.array([np.mean(phases[end - 10 : end] == phase) for end in ends])


@pytest.mark.parametrize("closed", [CLOSED, 0.93 * JET], ids=["higher", "lower"])
def test_the_closed_jets_level_is_the_one_that_the_crank_slows_down_from(
    direct_drive: DirectDrive, closed: float
) -> None:
    """Known once it did so three times, and sped up to another level twice more."""
    day = cut_and_idle(closed=closed) * 8
    phases, batches = gate_of(direct_drive).learn_many(at_speeds(*day))
    told = batches[batches["kind"] == BatchKind.CEILING]
    assert np.isnan(told["resolution"][-1])
    assert told["area"][-1] == pytest.approx(
        area_of_rate(direct_drive.displacement, SPEED, closed, 293.15), rel=5e-3
    )
    assert np.count_nonzero(np.isnan(told["resolution"])) == 1
    later = slice(5 * 6, None)
    jets, shut = (shares(phases, day, p)[later] for p in (Phase.STEADY, Phase.JET_OFF))
    assert jets[0::5] == pytest.approx(1.0)
    assert shut[1::5] == pytest.approx(1.0)
    steady = batches[batches["kind"] == BatchKind.STEADY]
    assert steady["closed_known"][-1]


def test_a_jet_that_opens_up_to_the_closed_level_is_a_jet_again(direct_drive: DirectDrive) -> None:
    """The crank speeds up to that level time and again: no closed jet does that."""
    lower = 0.93 * JET
    day = cut_and_idle(closed=lower) * 8 + cut_and_idle(jet=lower, closed=0.93 * lower) * 8
    phases, _ = gate_of(direct_drive).learn_many(at_speeds(*day))
    jets = shares(phases, day, Phase.STEADY)[0::5]
    assert jets[7] == 1.0
    assert jets[8] == 0.0  # it may be the closed one
    assert jets[-2:] == pytest.approx(1.0)


@pytest.mark.parametrize(
    "once",
    [
        [(JET, SPEED, 60.0), (0.4 * JET, IDLE, 10.0)],  # it slows down as the jet closes
        [(JET, SPEED, 60.0), (CLOSED, SPEED, 5.0), (0.4 * JET, IDLE, 10.0)],  # or soon after
        [(JET, SPEED, 60.0), (CLOSED, SPEED, 20.0), (0.0, 0.0, 20.0)],  # or stops
    ],
    ids=["at once", "soon", "stops"],
)
def test_what_shows_no_closed_level_is_none(direct_drive: DirectDrive, once: list[Visit]) -> None:
    gate = gate_of(direct_drive)
    gate.learn_many(at_speeds(*once * 8))
    assert not gate.state.levels.is_known
    assert not np.any(gate.state.levels.ceilings["shut_seen"])


def test_the_closed_jets_level_at_another_speed_is_as_far_from_the_jets(
    direct_drive: DirectDrive,
) -> None:
    """Known at one speed, it is left out at another one from the first time on."""
    slower = 0.85 * SPEED
    other = [(0.85**2 * JET, slower, 60.0), (0.85**2 * 0.93 * JET, slower, 60.0)]
    day = cut_and_idle(closed=0.93 * JET) * 6 + other
    phases, _ = gate_of(direct_drive).learn_many(at_speeds(*day))
    assert shares(phases, day, Phase.JET_OFF)[-2:].tolist() == [0.0, 1.0]


def test_what_is_smaller_than_both_levels_is_the_closed_jets(direct_drive: DirectDrive) -> None:
    """A valve's level moves, and a bore does not shrink by so much."""
    day = cut_and_idle() * 6 + [(JET, SPEED, 60.0), (1.08 * CLOSED, SPEED, 60.0)]
    phases, _ = gate_of(direct_drive).learn_many(at_speeds(*day))
    assert shares(phases, day, Phase.JET_OFF)[-2:].tolist() == [0.0, 1.0]


def test_a_jet_that_settles_from_above_is_no_line_that_leaks_where_a_valve_is_known(
    direct_drive: DirectDrive,
) -> None:
    falls = JET * (1.0 + 0.06 * np.exp(-np.arange(40) / 8.0))
    visits = [(float(pressure), SPEED, 1.0) for pressure in falls] * 4
    shut = []
    for before in ([], cut_and_idle() * 6):
        day = [*before, (CLOSED, SPEED, 20.0), *visits]
        phases, _ = gate_of(direct_drive).learn_many(at_speeds(*day))
        shut.append(np.mean(phases[-len(visits) :] == Phase.JET_OFF))
    assert shut[0] > 0.1
    assert shut[1] == 0.0


def test_a_jet_that_leaves_the_closed_level_is_no_news_of_that_level(
    direct_drive: DirectDrive,
) -> None:
    """Both looked alike until the bore opened up; from then on the closed jet is left out."""
    closed = 1.025 * JET
    day = cut_and_idle(closed=closed) * 12 + cut_and_idle(jet=0.87 * JET, closed=closed) * 4
    phases, batches = gate_of(direct_drive).learn_many(at_speeds(*day))
    assert not np.any(batches["kind"] == BatchKind.CEILING)
    steady, off = (shares(phases, day, phase) for phase in (Phase.STEADY, Phase.JET_OFF))
    assert steady[:60].reshape(12, 5)[:, :2].all()  # all of them count as jets
    later = slice(65, None, 5)
    assert steady[later].tolist() == [1.0] * 3
    assert off[66::5].tolist() == [1.0] * 3
