"""For how long the disk lasts: by what the store takes, and by what all programs take."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from borewarden.base.samples import samples_of
from borewarden.service.disk_room import BESIDE_SAMPLES, DAY, Room, RoomWatch
from borewarden.service.metrics import metrics_text
from borewarden.service.own_health import Health
from borewarden.store.database import open_store, write_learned
from borewarden.watcher.batch_loop import RESULT
from borewarden.watcher.watcher import Learned
from small_disk import mounted


def put(store: Path, since_ns: int) -> None:
    """An hour of samples at 1 Hz, 24 bytes each."""
    with open_store(store) as connection:
        samples = samples_of(since_ns + np.arange(3600) * 10**9, pressure=np.ones(3600))
        learned = Learned(np.full(3600, 5), np.zeros(0, RESULT), [])
        write_learned(connection, "North", samples, learned)


def test_the_samples_of_the_last_day_tell_from_the_first_look_on(tmp_path: Path) -> None:
    with mounted(tmp_path / "disk", free=8 * 2**20) as disk:
        store = disk / "a.db"
        put(store, time.time_ns() - 5 * 86_400 * 10**9)  # long ago
        put(store, time.time_ns() - 3600 * 10**9)
        watch = RoomWatch(store)
        room = watch.look(0.0)
        assert room.bytes_a_day == pytest.approx(BESIDE_SAMPLES * 24 * DAY, rel=0.01)  # at 1 Hz
        assert 6 * 2**20 < room.free < 8 * 2**20
        assert room.days == pytest.approx(room.free / room.bytes_a_day)
        # after a day, what all programs take counts if that is more
        (disk / "somebody's").write_bytes(bytes(4 * 2**20))
        assert watch.look(DAY / 2).bytes_a_day == pytest.approx(room.bytes_a_day, rel=0.01)
        assert watch.look(DAY).bytes_a_day == pytest.approx(4 * 2**20, rel=0.05)


def test_health_and_metrics_say_so() -> None:
    health = Health()
    assert health.troubles() == {}
    assert health.room_words() == ""
    health.room[:] = [Room(76 * 10**9, 12e6)]
    assert health.room_words() == "Disk: 76 GB free, full in ten years or more."
    assert health.troubles() == {}
    health.room[:] = [Room(40 * 10**6, 12e6)]
    assert "full in about 3.3 days" in health.troubles()["disk"]
    assert "free some space" in health.troubles()["disk"]
    assert health.as_json()["disk"]["days_to_full"] == pytest.approx(3.33, abs=0.01)
    text = metrics_text({}, {}, {}, health).decode()
    assert "borewarden_disk_free_bytes 4e+07" in text
    assert "borewarden_disk_seconds_to_full 288000" in text
    assert 'borewarden_service_healthy{part="disk"} 0.0' in text
    health.room[:] = [Room(40 * 10**6, 0.0)]  # nothing goes
    assert health.room_words() == "Disk: 0.04 GB free."
