"""Which heads a batch is of, by its area alone: by hand-made batches of invented heads."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from borewarden.gate.batch import BATCH
from borewarden.jewels.jewel import Jewel, stated_area
from borewarden.watcher.levels import (
    SEEN_BY_THEN,
    Combination,
    Levels,
    may_be_a_twin,
    may_be_others,
    sort,
)

SMALL, LARGE = Jewel(0.25e-3, "ruby", 0, head="1"), Jewel(0.33e-3, "ruby", 0, head="2")
TWINS = [SMALL, Jewel(0.25e-3, "ruby", 0, head="2")]
ONE, TWO, BOTH = (stated_area(jewels) for jewels in ([SMALL], [LARGE], [SMALL, LARGE]))


def gather(
    areas: list[float],
    jewels: list[Jewel],
    number: int = 0,
    levels: Levels = Levels(),  # noqa: B008 - never changes
    pause: float = 60.0,
    between: float = 0.0,
    resolution: float = 0.001,
    stays_on: bool = False,
) -> tuple[Levels, list[str], list[float]]:
    """Levels after batches of 20 s of these areas; who got which.

    With a `pause` (s) before another area, and `between` those of the same: the jet is closed
    then. Where `stays_on`, it is not.
    """
    whose, which = [], []
    end, seconds = levels.run.end_ns, levels.jet.jet_seconds
    for k, area in enumerate(areas):
        one: NDArray[np.void] = np.zeros(1, dtype=BATCH)
        waited = between if k > 0 and area == areas[k - 1] else pause
        waited = 0.0 if stays_on and k > 0 else waited
        seconds += 20.0
        one["start_ns"] = end + int(waited * 1e9)
        one["end_ns"] = end = int(one["start_ns"][0]) + 20 * 10**9
        one["area"], one["time"], one["resolution"] = area, 20.0, resolution
        one["jet_seconds"] = seconds if stays_on else 0.0
        levels, given = sort(levels, one, number, jewels)
        whose += [combination.words for combination, _ in given]
        which += [float(batch["area"][0]) for _, batch in given]
    return levels, whose, which


def seen_for(levels: Levels, time: float) -> Levels:
    """The same after so many s of jet of each level."""
    return levels._replace(known=tuple(level._replace(time=time) for level in levels.known))


def test_levels_are_named_by_the_stated_area_next_to_them() -> None:
    areas = [ONE] * 3 + [BOTH] * 3 + [ONE, BOTH]
    levels, whose, which = gather(areas, [SMALL, LARGE])
    assert which == areas  # all that waited were given in the end
    assert whose == ["head 1"] * 3 + ["head 1 and 2"] * 3 + ["head 1", "head 1 and 2"]
    assert [level.number for level in levels.known] == [1, 2]
    assert all(level.combination.is_known for level in levels.known)
    assert [level.time for level in levels.known] == [4 * 20.0] * 2


def test_two_batches_alike_make_no_level() -> None:
    levels, whose, _ = gather([ONE] * 2, [SMALL, LARGE])
    assert whose == []
    assert (levels.known, len(levels.held)) == ((), 2)


@pytest.mark.parametrize("off", [1.2, 0.9])
def test_pump_figures_that_are_off_are_off_for_all_levels(off: float) -> None:
    areas = [off * ONE] * 3 + [off * BOTH] * 3
    _, whose, _ = gather(areas, [SMALL, LARGE])
    assert whose == ["head 1"] * 3 + ["head 1 and 2"] * 3


def test_of_a_counted_number_what_is_off_the_stated_area_is_a_change_of_what_is_known() -> None:
    three = [*TWINS, Jewel(0.25e-3, "ruby", 0, head="3")]
    areas = [ONE] * 3 + [1.2 * ONE] * 4
    levels, whose, which = gather(areas, three, number=1)
    assert len(levels.known) == 1
    assert which == areas
    assert len(set(whose)) == 1


@pytest.mark.parametrize("share", [0.7, 1.65, 3.2])
def test_what_no_set_of_open_heads_takes_is_nobodys_where_nothing_counts_them(share: float) -> None:
    """Less than one head takes, more than one opened up and less than two, more than both."""
    levels, whose, _ = gather([share * ONE] * 4, TWINS)
    assert (whose, levels.known, levels.held) == ([], (), ())
    assert levels.unfit == 4 * 20.0
    levels, whose, which = gather([ONE] * 3 + [share * ONE] * 3, TWINS)
    assert which == [ONE] * 3
    assert levels.unfit == 3 * 20.0
    # with their number known it is a change of what is open
    levels, _, which = gather([ONE] * 3 + [share * ONE] * 4, TWINS, number=1)
    assert len(which) == 7
    assert levels.unfit == 0.0


def test_another_head_may_open_in_the_midst_of_a_jet_where_nothing_counts_them() -> None:
    levels, whose, _ = gather([ONE] * 4 + [2.0 * ONE] * 4, TWINS, stays_on=True)
    assert whose == ["head 1 or head 2"] * 4 + ["head 1 and 2"] * 4
    assert not any(level.has_moved for level in levels.known)
    # what no other set takes is a step of its jewel
    levels, _, which = gather([ONE] * 4 + [1.15 * ONE] * 4, TWINS, stays_on=True)
    assert which == [ONE] * 4 + [1.15 * ONE] * 4
    assert [level.has_moved for level in levels.known] == [True]


def test_a_single_head_that_first_cuts_when_chipped_is_no_change_of_both() -> None:
    levels, _, which = gather([2.0 * ONE] * 3 + [1.2 * ONE] * 6, TWINS)
    assert which == [2.0 * ONE] * 3
    assert levels.unfit == 6 * 20.0


@pytest.mark.parametrize(
    ("share", "others"),
    [(0.85, True), (0.95, False), (1.12, False), (1.45, False), (1.6, True), (2.0, True)],
)
def test_what_other_heads_may_take(share: float, others: bool) -> None:
    """Of one of two heads: one that opened up by half at most, and not nearly the other sets."""
    levels, _, _ = gather([ONE] * 3, TWINS)
    [level] = levels.known
    assert may_be_others(levels, np.log(share * ONE), level.combination, TWINS) is others


def test_jewels_of_one_bore_make_levels_side_by_side() -> None:
    """Which is which nobody knows; a third one can't be."""
    areas = [ONE] * 3 + [1.05 * ONE] * 3 + [ONE, 1.05 * ONE]
    levels, whose, which = gather(areas, TWINS)
    assert which == areas
    assert set(whose) == {"head 1 or head 2"}
    assert [level.combination.place for level in levels.known] == [0, 1]
    assert not levels.known[0].combination.is_known
    more, whose, _ = gather([0.955 * ONE] * 4, TWINS, levels=levels)
    assert len(more.known) == 2
    assert set(whose) <= {"head 1 or head 2"}


def test_batch_between_two_levels_is_nobodys() -> None:
    """It began with the one head and ended with the other."""
    high, half = 1.08 * ONE, 1.04 * ONE
    levels, _, _ = gather([ONE] * 3 + [high] * 3, TWINS)
    after, _, which = gather([ONE, half, high], TWINS, levels=levels, pause=0.0)
    assert which == [ONE, high]
    assert after.held == ()
    # where their number is known, it was all the same jet
    levels, _, _ = gather([ONE] * 3 + [high] * 3, TWINS, number=1)
    _, _, which = gather([ONE, half, high], TWINS, number=1, levels=levels, pause=0.0)
    assert which == [ONE, half, high]


@pytest.mark.parametrize("growth", [1.15, 0.9])
def test_a_step_of_a_jewel_is_given_to_its_level_once_two_agree(growth: float) -> None:
    """After two and a half hours all heads have cut, and nothing new is a head."""
    levels, _, _ = gather([ONE] * 3, [SMALL, LARGE])
    levels = seen_for(levels, SEEN_BY_THEN + 1.0)
    after, whose, which = gather([growth * ONE], [SMALL, LARGE], levels=levels)
    assert whose == []
    after, whose, which = gather([growth * ONE] * 2, [SMALL, LARGE], levels=levels)
    assert whose == ["head 1"] * 2
    assert which == [growth * ONE] * 2
    # the level goes where its batches are, by a tenth each
    log = np.log(ONE) + (1.0 - 0.9**2) * np.log(growth)
    assert after.known[0].centre == pytest.approx(log)


@pytest.mark.parametrize("number", [0, 1])
def test_of_two_unlike_batches_off_all_levels_the_first_is_given_where_their_number_is_known(
    number: int,
) -> None:
    levels, _, _ = gather([ONE] * 3, [SMALL, LARGE], number=number)
    levels = seen_for(levels, SEEN_BY_THEN + 1.0)
    areas = [1.15 * ONE, 1.3 * ONE]
    after, whose, which = gather(areas, [SMALL, LARGE], number=number, levels=levels)
    assert (whose, which) == (["head 1"] * number, areas[:number])
    assert [float(one["area"][0]) for one in after.held] == areas[1:]


def test_a_second_jewel_of_one_bore_shows_in_the_first_hours_and_later_it_is_a_change() -> None:
    levels, _, _ = gather([ONE] * 3, TWINS)
    apart = [1.11 * ONE] * 3  # further than jewels of one bore may differ
    assert len(gather(apart, TWINS, levels=levels)[0].known) == 1
    near = [1.07 * ONE] * 3
    assert len(gather(near, TWINS, levels=levels)[0].known) == 2
    late = seen_for(levels, SEEN_BY_THEN + 1.0)
    after, whose, _ = gather(near[:2], TWINS, levels=late)
    assert len(after.known) == 1
    assert whose == ["head 1 or head 2"] * 2


def test_jets_of_all_heads_do_not_say_that_each_has_cut_alone() -> None:
    """Hours with both on are none in which a second jewel would have shown."""
    levels, _, _ = gather([ONE] * 3 + [2.0 * ONE] * 3, TWINS)
    single, both = levels.known
    late = levels._replace(known=(single, both._replace(time=SEEN_BY_THEN + 1.0)))
    assert len(gather([1.07 * ONE] * 3, TWINS, levels=late)[0].known) == 3


def test_a_run_is_at_the_mean_of_its_batches() -> None:
    areas = [ONE * float(np.exp(off)) for off in (0.0, 0.012, -0.006)]
    levels, _, _ = gather(areas, [SMALL, LARGE], pause=5.0, resolution=0.01)
    assert levels.run.batches == 3
    assert levels.run.mean == pytest.approx(np.log(ONE) + 0.002)


def test_a_step_in_the_midst_of_a_jet_is_of_its_jewel() -> None:
    """Whoever goes on with another head closes the jet; so that is no other head, at any time."""
    levels, _, _ = gather([ONE] * 3, TWINS, number=1)
    grown = 1.07 * ONE
    after, whose, which = gather([ONE] * 2 + [grown] * 3, TWINS, 1, levels, stays_on=True)
    assert which == [ONE] * 2 + [grown] * 3  # none waits
    assert set(whose) == {"head 1 or head 2"}
    [level] = after.known
    assert level.has_moved
    assert level.home == pytest.approx(np.log(ONE))
    assert level.centre == pytest.approx(np.log(grown))
    # what has the old area after that is the other jewel
    last, _, _ = gather([ONE] * 3 + [grown], TWINS, 1, after)
    assert [k.combination.place for k in last.known] == [0, 1]
    assert last.known[1].home == pytest.approx(np.log(ONE))
    # where the jet was closed between, it may be the other jewel, too
    apart, _, _ = gather([ONE] * 2 + [grown] * 3, TWINS, 1, levels)
    assert len(apart.known) == 2


def test_a_jet_that_ends_with_another_area_is_believed_once_the_next_one_has_it() -> None:
    levels, _, _ = gather([ONE] * 3, TWINS, number=1)
    ended, _, _ = gather([ONE] * 2 + [1.05 * ONE], TWINS, 1, levels, stays_on=True)
    assert not ended.known[0].has_moved
    more, whose, _ = gather([1.07 * ONE] * 2, TWINS, 1, ended)
    assert len(whose) == 2
    assert [level.has_moved for level in more.known] == [True]
    # or forgotten
    back, _, _ = gather([ONE] * 2 + [1.07 * ONE] * 3, TWINS, 1, ended)
    assert [level.has_moved for level in back.known] == [False, False]


def test_a_jet_of_few_strokes_a_batch_may_be_of_a_jewel_not_seen_yet() -> None:
    """One batch of a counter is like both jewels; the mean of the jet is not."""
    levels, _, _ = gather([ONE] * 3, TWINS, number=1)
    large = [1.08 * ONE] * 9
    other, _, _ = gather(large, TWINS, 1, levels, resolution=0.03, stays_on=True)
    assert [level.combination.place for level in other.known] == [0, 1]
    assert not any(level.has_moved for level in other.known)
    # a jet that goes on until that is known is of its level, and its step is one of the jewel
    chip = [ONE] * 9 + [1.2 * ONE] * 3
    grown, _, _ = gather(chip, TWINS, 1, levels, resolution=0.03, stays_on=True)
    assert [level.has_moved for level in grown.known] == [True]


def test_pump_figures_are_off_for_any_number_of_heads_alike() -> None:
    """More than stated areas may be off by, if no other number of heads had shown it."""
    three = [*TWINS, Jewel(0.25e-3, "ruby", 0, head="3")]
    levels, _, _ = gather([1.2 * ONE] * 3, three, number=1)
    both, whose, _ = gather([2.4 * ONE] * 3, three, number=2, levels=levels)
    assert [level.number for level in both.known] == [1, 2]
    assert len(whose) == 3


def test_the_old_area_in_short_cuts_is_the_other_jewel_once_one_has_changed() -> None:
    """Each short cut is a run of one batch; of three alike the level that changed takes none."""
    levels, _, _ = gather([ONE] * 3, TWINS, number=1)
    grown, _, _ = gather([1.17 * ONE] * 20, TWINS, 1, levels)
    assert [level.has_moved for level in grown.known] == [True]
    centre = grown.known[0].centre
    after, _, which = gather([ONE] * 6, TWINS, 1, grown, between=60.0)
    assert which == [ONE] * 6
    assert [level.combination.place for level in after.known] == [0, 1]
    assert after.known[0].centre == centre
    # of unlike ones, the first is no longer waited with
    _, _, which = gather([ONE, 0.9 * ONE, 0.8 * ONE], TWINS, 1, grown, between=60.0)
    assert which == [ONE, 0.9 * ONE]


def test_number_of_open_heads_keeps_levels_apart() -> None:
    """One large jewel has the area of two small ones."""
    same = [Jewel(0.2e-3, "ruby", 0, "1"), Jewel(0.2e-3, "ruby", 0, "2")]
    wide = [*same, Jewel(2**0.5 * 0.2e-3, "ruby", 0, "3")]
    area = stated_area(same)
    assert stated_area(wide[2:]) == pytest.approx(area)
    levels, one_open, _ = gather([area] * 3, wide, number=1)
    assert set(one_open) == {"head 3"}
    _, two_open, _ = gather([area] * 3, wide, number=2, levels=levels)
    assert set(two_open) == {"head 1 and 2"}


def test_means_of_a_run_are_surer_than_a_batch() -> None:
    """Batches that follow one another share their edges: of n, the error is one nth."""
    levels, _, _ = gather([ONE] * 3, [SMALL, LARGE])
    off = np.exp(0.05)
    once = gather([off * ONE], [SMALL, LARGE], levels=levels, resolution=0.02)[1]
    assert once == ["head 1"]  # three of its own resolution
    run = [off * ONE] * 6
    joined = gather(run, [SMALL, LARGE], levels=levels, resolution=0.02)[0]
    apart = gather(run, [SMALL, LARGE], levels=levels, resolution=0.02, between=60.0)[0]
    assert joined.run.batches == 6
    assert apart.run.batches == 1
    assert joined.run.mean == pytest.approx(np.log(off * ONE))


def test_words() -> None:
    both = frozenset({"2", "1"})
    assert Combination((both,)).words == "head 1 and 2"
    assert Combination((frozenset({"1"}), frozenset({"2"}))).words == "head 1 or head 2"


def test_few_strokes_wait_for_the_run_before_they_are_of_one_of_two_jewels() -> None:
    """One batch may as well be of the other jewel; the mean of a run says which."""
    levels, _, _ = gather([ONE] * 20, TWINS, number=1)
    areas = [1.05 * ONE] * 12
    after, _, which = gather(areas[:2], TWINS, number=1, levels=levels, resolution=0.03)
    assert (which, len(after.held)) == ([], 2)
    after, _, which = gather(areas, TWINS, number=1, levels=levels, resolution=0.03)
    assert [level.combination.place for level in after.known] == [0, 1]
    assert which == areas
    assert after.known[1].home == pytest.approx(np.log(1.05 * ONE))


def test_of_few_strokes_the_area_of_the_other_jewel_is_no_chip() -> None:
    levels, _, _ = gather([ONE] * 3 + [1.05 * ONE] * 3, TWINS, number=1)
    first, second = levels.known
    coarse = levels._replace(is_coarse=True)
    assert may_be_a_twin(coarse, second.home, first.combination)
    assert not may_be_a_twin(coarse, np.log(1.1 * ONE), first.combination)
    assert not may_be_a_twin(levels, second.home, first.combination)
