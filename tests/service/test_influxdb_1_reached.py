"""`reach` with InfluxDB 1: a marked row that is written and given back, over a real server."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from borewarden.service.connection_check import reach_influx
from forward import influx_settings
from influxd import influxd, query


async def test_a_row_is_written_and_given_back(tmp_path: Path) -> None:
    with influxd(tmp_path) as url:
        settings = replace(influx_settings(url), api="v1", org="")
        [reached] = await reach_influx(settings)
        assert reached.answer == "NO"
        assert "the server has no such database" in reached.words
        query(url, "CREATE DATABASE pumps")
        [reached] = await reach_influx(settings)
        assert reached.answer == "yes"
        assert "gave it back" in reached.words
    [reached] = await reach_influx(settings)
    assert reached.answer == "NO"
