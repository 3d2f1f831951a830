"""The bed holds what it states: the noise put on the area is what a reader of the signals finds."""

import numpy as np
import pytest

from noise_bed import KINDS, ROWS, Run, make
from noise_bed.pumps import AREA, CRANK, INTENSIFIER, RESTING_LEAK, delivered, jet_flux, leak_flow

SETTLED = 30  # s after the jet opens, and before it closes


def read_back(run: Run, kind: str, share: float) -> list[np.ndarray]:
    """Log of the area over the sound one, from the readings of each cut, by mass balance."""
    opened = np.diff(run.jet_s, prepend=0.0) > 0.999
    edges = np.flatnonzero(np.diff(opened.astype(int)))
    cuts = zip(edges[::2] + 1 + SETTLED, edges[1::2] + 1 - SETTLED, strict=False)
    p = run.channels["pressure"]
    plant = CRANK if kind in ("floating", "regulated") else INTENSIFIER
    return [
        np.log(
            (run.channels["rate"][a:b] * delivered(plant, p[a:b]) - leak_flow(share, p[a:b]))
            / jet_flux(p[a:b])
            / AREA
        )
        for a, b in cuts
        if b - a > 40
    ]


def batch_sd(cuts: list[np.ndarray]) -> float:
    means = [each[: len(each) // 20 * 20].reshape(-1, 20).mean(axis=1) for each in cuts]
    return float(np.std(np.concatenate(means)))


@pytest.mark.parametrize("kind", ["rate", "floating", "regulated"])
def test_white_noise_of_batches_is_that_stated(kind: str) -> None:
    run = make(ROWS[1], kind, 1, jet_hours=10.0)
    assert batch_sd(read_back(run, kind, RESTING_LEAK)) == pytest.approx(0.011, rel=0.06)


def test_strokes_counted_have_the_noise_stated() -> None:
    """1,800 s of one area: whole strokes over them, against the mean of the noise."""
    run = make(ROWS[4], "counter", 1, jet_hours=10.0)
    edges = np.flatnonzero(np.abs(np.diff((np.diff(run.jet_s, prepend=0.0) > 0.999).astype(int))))
    p = run.channels["pressure"]
    truth = dict(zip(run.jet_noise_s.tolist(), run.jet_noise.tolist(), strict=True))
    errors = []
    for a, b in zip(edges[::2] + 1 + SETTLED, edges[1::2] + 1 - SETTLED, strict=False):
        if b - a < 600:
            continue
        strokes = run.channels["stroke_count"][b] - run.channels["stroke_count"][a]
        flow = strokes / (b - a) * np.mean(delivered(INTENSIFIER, p[a:b]))
        flow -= np.mean(leak_flow(RESTING_LEAK, p[a:b]))
        area = flow / np.mean(jet_flux(p[a:b])) / AREA
        errors.append(area - np.mean(np.exp([truth[s] for s in run.jet_s[a + 1 : b + 1]])))
    assert len(errors) > 10
    assert np.max(np.abs(errors)) < 1.0 / (600 * 0.4)  # a stroke of 240


@pytest.mark.parametrize("kind", ["rate", "floating"])
def test_a_leak_reads_as_a_larger_area_at_the_full_pressure(kind: str) -> None:
    """By p²: 8 % of the flow at 380 MPa, 8 % × (260/380)² / (flux ratio 0.834) = 4.5 % at 260."""
    run = make(ROWS[10], kind, 1, jet_hours=10.0)
    means = np.array([np.mean(cut) for cut in read_back(run, kind, 0.0)])
    assert np.mean(means[means > 0.06]) == pytest.approx(np.log(1.08), abs=0.003)
    assert np.mean(means[means < 0.06]) == pytest.approx(np.log(1.0449), abs=0.003)


@pytest.mark.parametrize(("number", "sd"), [(3, 0.01), (4, 0.0112), (5, 0.0112)])
def test_noise_that_is_not_white_has_its_deviation(number: int, sd: float) -> None:
    """Over 400 jet hours, batch by batch; what is AR(1) for an hour is known the least well."""
    noise = np.concatenate(
        [make(ROWS[number], "rate", seed, jet_hours=100.0).jet_noise for seed in range(4)]
    )
    means = noise[: len(noise) // 20 * 20].reshape(-1, 20).mean(axis=1)
    assert np.std(means) == pytest.approx(sd, rel={3: 0.25, 4: 0.05, 5: 0.12}[number])


@pytest.mark.parametrize("kind", KINDS)
def test_times_of_a_log_with_jumps_never_go_back(kind: str) -> None:
    run = make(ROWS[11], kind, 3, interval=10)
    steps = np.diff(run.time_ns) * 1e-9
    assert steps.min() > 0
    assert steps.max() > 60  # gaps
    assert np.mean(steps > 19) == pytest.approx(0.05, abs=0.01)  # single rows


def test_a_step_begins_at_its_moment() -> None:
    run = make(ROWS[1], "rate", 1, jet_hours=4.0, step=0.15, step_at=7200.0)
    same = make(ROWS[1], "rate", 1, jet_hours=4.0)
    cutting = np.diff(run.jet_s, prepend=0.0) > 0.999
    grown = run.channels["rate"][cutting] / same.channels["rate"][cutting]
    before = run.jet_s[cutting] <= 7200.0
    assert np.all(grown[before] == 1.0)
    assert np.median(grown[~before]) == pytest.approx(1.15, abs=0.002)  # a little of it is leak
