"""Labels that inspections yield, and pictures that are none."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from skimage.io import imsave

from borewarden.base.errors import BadInput
from borewarden.collect.labels import EVENTS, read_labels
from borewarden.diagnose.causes import Cause
from borewarden.inspection import labels as inspection_module
from borewarden.inspection.labels import labels_of, picture_bytes
from borewarden.inspection.record import Finding, Inspection

ROOT = Path(__file__).parents[2]
CHIP = ROOT / "replay_data" / "north-2026-03-04-chip.labels.csv"
ONSET = 1_772_615_835 * 10**9  # 10:17:15 in Vienna
FOUND = Inspection(
    machine="North",
    time_ns=ONSET + 7200 * 10**9,
    by="Ada",
    answers={"rim": "chipped"},
    finding=Finding.CONFIRMED,
    reason="the rim is chipped",
    next_step="",
    cause=Cause.BORE,
    alert_ns=ONSET + 40 * 10**9,
    alert_state="probably opened up",
    onset_ns=ONSET,
    step=0.08,
)


def test_a_confirmed_chip_is_the_label_of_the_log_but_for_the_onset() -> None:
    [label] = labels_of([FOUND])["North"]
    [kept] = read_labels(CHIP, "Europe/Vienna")
    assert (label.event, label.end_ns, label.area_change) == ("chip", None, kept.area_change)
    assert label.start_ns == ONSET
    assert abs(label.start_ns - kept.start_ns) < 60 * 10**9
    assert "Ada" in label.note


def test_the_last_inspection_of_an_alert_makes_its_label() -> None:
    first = replace(FOUND, cause=Cause.LEAK)
    other = replace(FOUND, alert_ns=ONSET + 86_400 * 10**9, onset_ns=None, cause=Cause.SECOND_HEAD)
    south = replace(FOUND, machine="South", cause=Cause.FEED, finding=Finding.CONFIRMED)
    labels = labels_of([other, first, FOUND, south])
    assert [label.event for label in labels["North"]] == ["chip", "second head"]
    assert labels["North"][1].start_ns == other.alert_ns
    assert math.isnan(labels["North"][1].area_change)
    assert [label.event for label in labels["South"]] == ["feed"]


def test_what_settles_no_cause_makes_no_label() -> None:
    for finding in (Finding.UNDECIDED, Finding.RULED_OUT, Finding.NOTHING_FOUND):
        assert labels_of([FOUND, replace(FOUND, finding=finding, cause=None)]) == {}
    assert labels_of([replace(FOUND, cause=Cause.UNKNOWN)]) == {}


def test_every_event_is_one_of_a_labels_file() -> None:
    for cause in Cause:
        for label in labels_of([replace(FOUND, cause=cause)]).get("North", []):
            assert label.event in EVENTS
    [worn] = labels_of([replace(FOUND, answers={"rim": "worn"})])["North"]
    assert worn.event == "wear"


def test_pictures_are_read_and_what_is_none_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "rim.png"
    imsave(path, np.zeros((80, 80), dtype=np.uint8), check_contrast=False)
    assert picture_bytes(path) == path.read_bytes()
    (tmp_path / "text.png").write_text("no picture")
    with pytest.raises(BadInput, match="is not a picture"):
        picture_bytes(tmp_path / "text.png")
    with pytest.raises(BadInput, match="no such file"):
        picture_bytes(tmp_path / "missing.png")
    with pytest.raises(BadInput, match="a directory"):
        picture_bytes(tmp_path)
    monkeypatch.setattr(inspection_module, "LARGEST_PICTURE", 10)
    with pytest.raises(BadInput, match="has more than"):
        picture_bytes(path)
