"""What of the register counts as the end of a jewel."""

from __future__ import annotations

import pytest

from borewarden.jewels.fitting import End, Fitting
from borewarden.lives.posterior import Conditions
from borewarden.lives.records import Tally, Watched, conditions_of, records_of, tally


def fitting(**changes: object) -> Fitting:
    stated = {"machine": "North", "head": "1", "fitted_ns": 0, "bore": 0.254e-3, "material": "ruby"}
    return Fitting(**(stated | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("end", "ended"),
    [
        (End.CHIPPED, True),
        (End.WORN, True),
        (End.CUT_QUALITY, True),
        (End.PLUGGED, True),
        (End.UNKNOWN, True),
        (None, True),  # taken out without a word
        (End.PLANNED, False),
        (End.MISHANDLED, False),
    ],
)
def test_which_ends_count(end: End | None, ended: bool) -> None:
    (record,) = records_of([Watched(fitting(out_ns=1, end=end), 12.5)])
    assert (record.jet_hours, record.ended) == (12.5, ended)


def test_every_end_of_the_register_is_decided_here() -> None:
    counted = {end for end in End if Watched(fitting(out_ns=1, end=end), 1.0).ended}
    assert {end.value for end in set(End) - counted} == {"planned", "mishandled"}


def test_a_fitted_jewel_has_not_ended_and_a_lost_one_is_last_seen_sound() -> None:
    fitted, lost = records_of(
        [Watched(fitting(), 30.0), Watched(fitting(out_ns=1, end=End.CHIPPED), 9.0, False)]
    )
    assert not fitted.ended
    assert (lost.jet_hours, lost.ended) == (9.0, False)


def test_earlier_hours_enter_late() -> None:
    (record,) = records_of([Watched(fitting(earlier_hours=20.0, out_ns=1, end=End.WORN), 15.0)])
    assert (record.entry_hours, record.jet_hours) == (20.0, 35.0)


def test_a_jewel_fitted_twice_counts_its_first_hours_once() -> None:
    """Off sound at 20 h, on again, ended at 35 h: the two say as much as one jewel seen through."""
    from borewarden.lives.posterior import PRIORS, JewelRecord, Model

    twice = records_of(
        [
            Watched(fitting(out_ns=1, end=End.PLANNED), 20.0),
            Watched(fitting(earlier_hours=20.0, out_ns=3, end=End.WORN), 15.0),
        ]
    )
    z = Model([], PRIORS).mean[None] * 0.0 + 0.3
    through = Model([JewelRecord("ruby", 35.0, True)], PRIORS).log_likelihood(z)
    assert Model(twice, PRIORS).log_likelihood(z) == pytest.approx(through)


def test_jewels_without_hours_are_left_out_and_counted() -> None:
    watched = [
        Watched(fitting(out_ns=1, end=End.WORN, noted_hours=10.0), 10.0),
        Watched(fitting(out_ns=1, earlier_hours=1.0), 10.0),
        Watched(fitting(out_ns=1, end=End.PLANNED), 10.0),
        Watched(fitting(out_ns=1, end=End.CHIPPED), 10.0, False),
        Watched(fitting(), 3.0),
        Watched(fitting(out_ns=1, end=End.WORN), None),
        Watched(fitting(material="diamond"), 3.0),
    ]
    assert len(records_of(watched)) == 6
    assert tally(watched, "ruby") == Tally(
        ended=2, unknown=1, sound=1, fitted=1, lost=1, no_hours=1, stated=2
    )
    assert tally([], "ruby") == Tally(0, 0, 0, 0, 0, 0, 0)


def test_conditions_keep_what_is_not_known_unknown() -> None:
    assert conditions_of(fitting()) == Conditions()
    stated = fitting(
        tds_ppm=120.0, low_pressure_start=True, mixing_chamber=False, last_chance_filter=True
    )
    assert conditions_of(stated) == Conditions(
        120.0, True, "no mixing chamber", "last-chance filter"
    )
