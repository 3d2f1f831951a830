"""Verdicts as the store keeps them: what was written comes back, and so does what is older."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from borewarden.detect.false_rate import FalseRate
from borewarden.detect.second_opinion import Opinion
from borewarden.store.database import open_store, transaction, write_results
from borewarden.store.queries import newest_alerts
from borewarden.watcher.batch_loop import NO_RESULTS
from borewarden.watcher.verdict import State, Verdict
from borewarden.watcher.watcher import Alert, Learned

OPENED = Verdict(5, State.OPENED, "why", *(1.0,) * 10, None, 0.9, hours_to_limit=None)


RATE = FalseRate(1e-4, 1e-3, 1e-2, 1e-3, peaks=9, hours=40.0, told=2, gone=1)


@pytest.mark.parametrize(
    ("opinion", "rate"), [(None, None), (Opinion(), None), (Opinion(3, 1, 2, 3), RATE)]
)
def test_what_only_looks_on_comes_back(
    tmp_path: Path, opinion: Opinion | None, rate: FalseRate | None
) -> None:
    alert = Alert(5, replace(OPENED, second_opinion=opinion, false_rate=rate))
    with open_store(tmp_path / "kept.db") as connection:
        with transaction(connection):
            write_results(connection, "North", Learned(NO_RESULTS["state"], NO_RESULTS, [alert]))
        assert newest_alerts(connection, "North", 1) == [alert]


def test_a_verdict_from_before_there_was_either_is_read(tmp_path: Path) -> None:
    with open_store(tmp_path / "old.db") as connection:
        alert = Alert(5, replace(OPENED, second_opinion=Opinion(3, 1)))
        with transaction(connection):
            write_results(connection, "North", Learned(NO_RESULTS["state"], NO_RESULTS, [alert]))
            (text,) = connection.execute("SELECT verdict FROM alert").fetchone()
            older = json.loads(text)
            del older["second_opinion"], older["false_rate"], older["was_told_opened"]
            del older["level_known"], older["idle_hours"]
            connection.execute("UPDATE alert SET verdict = ?", (json.dumps(older),))
        assert newest_alerts(connection, "North", 1) == [Alert(5, OPENED)]
