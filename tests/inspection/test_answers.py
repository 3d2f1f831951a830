"""Bayes' rule over the answers of an inspection."""

from __future__ import annotations

import math
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from borewarden.diagnose.causes import (
    DIRECT_DRIVE,
    INTENSIFIER,
    ONLY_DIRECT_DRIVE,
    Belief,
    Cause,
    possible_causes,
)
from borewarden.diagnose.checks import CHECKS
from borewarden.diagnose.feature_table import FEATURES
from borewarden.inspection.evidence import EVIDENCE, PRIOR_MISALIGNED
from borewarden.inspection.posterior import misalignment, prior_beliefs, weigh_answers
from borewarden.inspection.steps import (
    BY_NAME,
    NOT_LOOKED,
    STEPS,
    InspectionStep,
    Place,
    steps_for,
)

BELIEFS = prior_beliefs(INTENSIFIER)


def shares(beliefs: tuple[Belief, ...]) -> dict[Cause, float]:
    return {belief.cause: belief.probability for belief in beliefs}


def test_three_diseases_and_two_tests_of_a_textbook():
    """Grinstead & Snell, Introduction to Probability, 2nd ed. 1997, tables 4.3 and 4.4.

    Of 10,000 people with one of three diseases, so many had each result of two tests; the book's
    posteriors, rounded so that each row sums to 1. Values from memory.
    """
    counts = {
        Cause.BORE: (2110, 301, 704, 100),
        Cause.LEAK: (396, 132, 1187, 410),
        Cause.FEED: (510, 3568, 73, 509),
    }
    book = {
        "++": (0.700, 0.131, 0.169),
        "+-": (0.075, 0.033, 0.892),
        "-+": (0.358, 0.604, 0.038),
        "--": (0.098, 0.403, 0.499),
    }
    prior = tuple(Belief(cause, sum(row) / 10_000.0) for cause, row in counts.items())
    rows = {cause: tuple(n / sum(row) for n in row) for cause, row in counts.items()}
    tests = (InspectionStep("tests", Place.DESK, "", dict.fromkeys(book, ""), (0.25,) * 4, rows),)
    for result, expected in book.items():
        found = shares(weigh_answers(prior, {"tests": result}, tests))
        assert [found[cause] for cause in counts] == pytest.approx(expected, abs=1e-3)


def test_odds_are_multiplied_by_the_likelihood_ratio():
    """Eddy's mammography problem (in Kahneman, Slovic & Tversky 1982, from memory): 7.8 %."""
    prior = (Belief(Cause.BORE, 0.01), Belief(Cause.UNKNOWN, 0.99))
    step = InspectionStep(
        "test", Place.DESK, "", {"+": "", "-": ""}, (0.096, 0.904), {Cause.BORE: (0.8, 0.2)}
    )
    found = shares(weigh_answers(prior, {"test": "+"}, (step,)))
    assert found[Cause.BORE] == pytest.approx(0.078, abs=5e-4)
    odds = found[Cause.BORE] / found[Cause.UNKNOWN]
    assert odds == pytest.approx(0.01 / 0.99 * 0.8 / 0.096)


ANSWERS = st.fixed_dictionaries(
    {}, optional={step.name: st.sampled_from([*step.answers, NOT_LOOKED]) for step in STEPS}
)


@given(ANSWERS, st.randoms(use_true_random=False))
def test_the_order_of_the_answers_does_not_matter(answers, random):
    order = list(answers)
    random.shuffle(order)
    shuffled = {name: answers[name] for name in order}
    assert weigh_answers(BELIEFS, shuffled) == weigh_answers(BELIEFS, answers)


@given(ANSWERS, st.randoms(use_true_random=False))
def test_one_by_one_is_all_at_once_where_alignment_has_no_say(answers, random):
    answers = {name: a for name, a in answers.items() if BY_NAME[name].misaligned is None}
    order = list(answers)
    random.shuffle(order)
    beliefs = BELIEFS
    for name in order:
        beliefs = weigh_answers(beliefs, {name: answers[name]})
    at_once = shares(weigh_answers(BELIEFS, answers))
    for cause, probability in shares(beliefs).items():
        assert probability == pytest.approx(at_once[cause], rel=1e-9)


@given(ANSWERS)
def test_probabilities_stay_probabilities(answers):
    found = shares(weigh_answers(BELIEFS, answers))
    assert math.fsum(found.values()) == pytest.approx(1.0)
    assert all(0.0 < probability < 1.0 for probability in found.values())
    assert 0.0 < misalignment(BELIEFS, answers) < 1.0


@given(ANSWERS)
def test_the_posterior_is_the_sum_over_every_world(answers):
    """Brute force, in words of its own: every cause, jet straight or astray."""
    worlds = {}
    for belief, astray in product(BELIEFS, (False, True)):
        share = belief.probability * (PRIOR_MISALIGNED if astray else 1.0 - PRIOR_MISALIGNED)
        for name, answer in answers.items():
            step = BY_NAME[name]
            if answer == NOT_LOOKED:
                continue
            row = step.given.get(belief.cause, step.usual)
            if astray and step.misaligned:
                row = step.misaligned
            share *= dict(zip(step.answers, row, strict=True))[answer]
        worlds[belief.cause, astray] = share
    total = sum(worlds.values())
    for cause, probability in shares(weigh_answers(BELIEFS, answers)).items():
        assert probability == pytest.approx((worlds[cause, False] + worlds[cause, True]) / total)


@pytest.mark.parametrize("step", STEPS, ids=lambda step: step.name)
def test_every_row_is_a_distribution_and_leaves_nothing_impossible(step):
    for row in (step.usual, *step.given.values(), step.misaligned or step.usual):
        assert len(row) == len(step.answers)
        assert math.fsum(row) == pytest.approx(1.0)
        assert min(row) > 0.0
    for answer, cause in step.points.items():
        others = [step.likelihood(answer, other, False) for other in Cause if other is not cause]
        assert step.likelihood(answer, cause, False) > 2.0 * max(others)


def test_every_table_of_likelihoods_has_its_step():
    assert [step.name for step in STEPS] == list(EVIDENCE)
    assert {step.name: tuple(step.answers) for step in STEPS} == {
        name: table.answers for name, table in EVIDENCE.items()
    }


def test_a_spread_stream_is_a_bad_jewel_or_a_misaligned_one():
    spread = {"stream": "spread"}
    assert shares(weigh_answers(BELIEFS, spread))[Cause.BORE] > shares(BELIEFS)[Cause.BORE]
    assert misalignment(BELIEFS, spread) > PRIOR_MISALIGNED
    # a tear-drop at the tube's exit explains it away (Pearl 1988); a round one does not
    drop = {**spread, "tube": "tear-drop"}
    assert misalignment(BELIEFS, drop) > 2.0 * misalignment(BELIEFS, spread)
    assert (
        shares(weigh_answers(BELIEFS, drop))[Cause.BORE]
        < shares(weigh_answers(BELIEFS, spread))[Cause.BORE]
    )
    # three signs of one misalignment do not count three times
    three = shares(weigh_answers(BELIEFS, {**drop, "cut": "bad"}))[Cause.BORE]
    apart = BELIEFS
    for name, answer in {**drop, "cut": "bad"}.items():
        apart = weigh_answers(apart, {name: answer})
    assert three < shares(apart)[Cause.BORE]


def test_a_look_with_the_naked_eye_changes_nothing():
    assert shares(weigh_answers(BELIEFS, {"rim": "naked eye"})) == pytest.approx(shares(BELIEFS))


@pytest.mark.parametrize("kind", [INTENSIFIER, DIRECT_DRIVE])
def test_whoever_finds_the_one_fault_there_is_names_it(kind):
    """All else as usual, the finding of each cause lifts that cause to the top."""
    beliefs = prior_beliefs(kind)
    steps = steps_for(kind, beliefs)
    usual = {step.name: max(zip(step.usual, step.answers, strict=True))[1] for step in steps}
    for step in steps:
        for answer, cause in step.points.items():
            top = weigh_answers(beliefs, {**usual, step.name: answer})[0]
            assert (top.cause, top.probability > 0.5) == (cause, True), step.name


def test_evidence_names_the_inspection_and_keeps_what_was_there():
    before = (
        Belief(Cause.BORE, 0.6, ("area",), ("idle",)),
        Belief(Cause.SECOND_HEAD, 0.4, (), ("low area",)),
    )
    bore, second = weigh_answers(before, {"second-head": "no", "feed": "as usual"})
    assert bore.evidence_for == ("inspection, second-head: no", "area")
    assert bore.evidence_against == ("idle",)
    assert second.evidence_against == ("inspection, second-head: no", "low area")


def test_only_what_bears_on_the_pump_and_its_probable_causes_is_asked():
    names = [step.name for step in steps_for(DIRECT_DRIVE, prior_beliefs(DIRECT_DRIVE))]
    assert {"speed", "bypass-line"} <= set(names)
    assert not {"oil-pressure", "dead-head", "stream"} & set(names)
    few = (Belief(Cause.BORE, 0.9), Belief(Cause.LEAK, 0.09), Belief(Cause.FEED, 0.01))
    names = [step.name for step in steps_for(INTENSIFIER, few)]
    assert names == [
        "cut", "dead-head", "stop-with-jet", "weep", "check-valves", "stream", "tube", "rim",
    ]  # fmt: skip
    assert not ONLY_DIRECT_DRIVE & {b.cause for b in prior_beliefs(INTENSIFIER)}
    assert {b.cause for b in prior_beliefs("")} == set(possible_causes(False))


def test_every_check_of_the_watcher_has_its_step_in_the_same_order():
    steps = ("second-head", "jewel-changed", "oil-pressure", "zero", "feed", "dead-head",
             "stop-with-jet", "weep", "check-valves", "bypass-line", "speed", "rim")  # fmt: skip
    for check, name in zip(CHECKS, steps, strict=True):
        step = BY_NAME[name]
        assert check.tells <= set(step.given)
        assert not check.only or step.only in ("", check.only)
        assert check.measured_by is None or FEATURES[check.measured_by].name
    places = [list(BY_NAME).index(name) for name in steps]
    assert places == sorted(places)
    assert [s.place for s in STEPS] == sorted((s.place for s in STEPS), key=list(Place).index)


@pytest.mark.parametrize(
    ("name", "answer", "said"),
    [
        ("rims", "sound", "there is no step 'rims': give one of second-head"),
        ("rim", "fine", "'fine' is not an answer to 'rim': give one of sound, doubtful"),
    ],
)
def test_unknown_steps_and_answers_are_refused(name, answer, said):
    with pytest.raises(ValueError, match=said):
        weigh_answers(BELIEFS, {name: answer})
