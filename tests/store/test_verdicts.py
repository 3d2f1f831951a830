"""Verdicts as the store keeps them: what was written comes back, and so does what is older."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from borewarden.detect.second_opinion import Opinion
from borewarden.store.database import open_store, transaction, write_results
from borewarden.store.queries import newest_alerts
from borewarden.watcher.batch_loop import NO_RESULTS
from borewarden.watcher.verdict import State, Verdict
from borewarden.watcher.watcher import Alert, Learned

OPENED = Verdict(5, State.OPENED, "why", *(1.0,) * 10, None, 0.9, hours_to_limit=None)


@pytest.mark.parametrize("opinion", [None, Opinion(), Opinion(3, 1, 2, 3)])
def test_a_second_opinion_comes_back(tmp_path: Path, opinion: Opinion | None) -> None:
    alert = Alert(5, replace(OPENED, second_opinion=opinion))
    with open_store(tmp_path / "kept.db") as connection:
        with transaction(connection):
            write_results(connection, "North", Learned(NO_RESULTS["state"], NO_RESULTS, [alert]))
        assert newest_alerts(connection, "North", 1) == [alert]


def test_a_verdict_from_before_there_was_one_is_read(tmp_path: Path) -> None:
    with open_store(tmp_path / "old.db") as connection:
        alert = Alert(5, replace(OPENED, second_opinion=Opinion(3, 1)))
        with transaction(connection):
            write_results(connection, "North", Learned(NO_RESULTS["state"], NO_RESULTS, [alert]))
            (text,) = connection.execute("SELECT verdict FROM alert").fetchone()
            older = json.loads(text)
            del older["second_opinion"]
            connection.execute("UPDATE alert SET verdict = ?", (json.dumps(older),))
        assert newest_alerts(connection, "North", 1) == [Alert(5, OPENED)]
