"""Helper process of test_power_cut: the whole service on a logged day, as fast as it comes.

The pump's log stands for its controller. In between, people record a change of jewel, correct it
twice, strike it out, and acknowledge, by the command and the page. Whatever they were told by then
is noted in the journal.
"""

from __future__ import annotations

import asyncio
import sys
import urllib.parse
import urllib.request
from collections.abc import AsyncGenerator
from pathlib import Path

from borewarden.base.samples import rows
from borewarden.base.times import iso_time
from borewarden.cli.register import register_app
from borewarden.collect.link import Received
from borewarden.service import mailing, process, watch
from borewarden.settings.service import load_folder
from borewarden.store import database, mails
from borewarden.store.database import newest_sample_ns, open_to_read
from borewarden.store.register import judged_by, newest_entry
from follow_log import paced
from follow_register import SAMPLES, until
from mailing import QUICK
from power_cut import tell

CHANGED, OTHER, ENDED = 1000, 4746, 9000  # rows; at OTHER the rim truly chips


def day(config: Path, store: Path, journal: Path) -> AsyncGenerator[Received, None]:
    """The log, and what people do meanwhile."""
    [machine], service = load_folder(config)
    home = f"http://127.0.0.1:{service.page.port}"
    file = str(config / "south.toml")

    async def settled(row: int) -> None:
        def is_so() -> bool:
            with open_to_read(store) as connection:
                return (
                    newest_sample_ns(connection, machine.name) == SAMPLES.time_ns[row - 1]
                    and judged_by(connection, machine.name) == newest_entry(connection)
                    and not mails.waiting(connection, 1)
                )

        await until(is_so)

    async def record(*words: str) -> None:
        book = ["--store", str(store), "--by", "Alex"]
        await asyncio.to_thread(register_app, [*words, *book], standalone_mode=False)
        tell(journal, {"recorded": words[0]})

    async def correct(row: int, bore: str) -> None:
        fields = ["--set", f"fitted={at(row)}", "--set", f"bore={bore}"]
        await record("correct", "1", "--machine", file, *fields, "--why", "looked again")

    async def acknowledge() -> None:
        fields = urllib.parse.urlencode({"machine": machine.name, "by": "Alex"}).encode()
        request = urllib.request.Request(f"{home}/acknowledge", fields, {"Origin": home})
        with await asyncio.to_thread(urllib.request.urlopen, request) as answer:
            tell(journal, {"acknowledged": answer.status})

    def at(row: int) -> str:
        return iso_time(int(SAMPLES.time_ns[row]), machine.time_zone)

    async def all_of_it() -> AsyncGenerator[Received, None]:
        done = 0
        for row, then in (
            (3000, lambda: record("fit", "--machine", file, "--at", at(CHANGED),
                                  "--bore", "0.3048 mm", "--material", "diamond")),
            (6000, acknowledge),
            (7000, lambda: correct(OTHER, "0.315 mm")),
            (8000, lambda: correct(CHANGED, "0.3048 mm")),
            (ENDED, lambda: record("strike", "1", "--why", "never was")),
        ):  # fmt: skip
            async for received in paced(rows(SAMPLES, done, row), 25, 0.002):
                yield received
            done = row
            await settled(row)
            await then()
        await settled(ENDED)

    return all_of_it()


def main(config: Path, store: Path, journal: Path) -> None:
    watch.LOOK, watch.BEAT, database.GATHERED = 0.02, 0.2, 50
    mailing.Pauses = lambda: QUICK  # type: ignore[assignment,misc]
    machines, service = load_folder(config)
    source = {machines[0].name: day(config, store, journal)}
    asyncio.run(process.run(machines, store, source, service, print))


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
