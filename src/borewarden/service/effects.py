"""Side effects committed with each stored block: lines for a time-series server, alarms, mail."""

from __future__ import annotations

import socket
import sqlite3
import time
from dataclasses import replace

from borewarden.alert.alarm import SIGHT_ALARM, Alarm, AlarmSettings, AlarmState, Notice
from borewarden.base.shown import shown_in
from borewarden.base.times import local_time
from borewarden.service.health import sight_words
from borewarden.service.messages import (
    Acknowledgement,
    Block,
    Ended,
    Judged,
    Kept,
    LinkNews,
    Shelving,
    StoreReplaced,
    TimePassed,
)
from borewarden.service.metrics import standing_families
from borewarden.service.own_health import Health
from borewarden.service.status import MachineStatus
from borewarden.show import mail
from borewarden.show.figures import bore_figure
from borewarden.store import influx, mails, outbox
from borewarden.store.accounts import Step, note
from borewarden.store.database import read_alarm, read_table, write_alarm
from borewarden.store.inspections import (
    Came,
    came_of_alerts,
    inspections,
    newest_inspection_entry,
)
from borewarden.store.names import stated_of
from borewarden.watcher.verdict import STATES, State, Verdict
from borewarden.watcher.watcher import Learned

SHOWN_NS = 8 * 3600 * 10**9  # in the figure of a mail
LINES = 1000  # of batches in one payload
STANDING_NS = 60 * 10**9
NOT_STORED = "Not stored: the watcher can't write to its disk, and mails this straight from memory"
OUTBOX_BYTES = 2 * 1024**3  # a month of samples of some ten machines at 1 Hz


class Effects:
    """Alarms and outboxes of all machines; called with every block inside its transaction.

    `statuses` are the live ones, whose alarm words are brought up to what is kept. The alarms' own
    state is stored with the blocks, so a restart goes on where the last transaction ended.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        statuses: dict[str, MachineStatus],
        bore_alarm: AlarmSettings,
        sight_alarm: AlarmSettings = SIGHT_ALARM,
        *,
        to_influx: bool,
        to_mail: bool,
        health: Health | None = None,
    ) -> None:
        self.statuses = statuses
        self.to_influx = to_influx
        self.to_mail = to_mail
        self.verdicts: dict[str, Verdict] = {
            name: status.verdict for name, status in statuses.items()
        }
        self.bore_alarm = bore_alarm
        self.sight_alarm = sight_alarm
        self.alarms: dict[tuple[str, str], Alarm] = {}
        self.written: dict[tuple[str, str], Alarm] = {}
        self.kept: dict[tuple[str, str], Alarm] = {}  # as of the last transaction that was kept
        self.touched: set[tuple[str, str]] = set()  # since then
        self.seen: list[int] = []  # mails that somebody has seen were not delivered, since then
        self.health = health or Health()
        self.inspections_to = 0  # the newest entry that was looked at
        self.to_count = set(statuses)  # machines of which alerts or inspections are new
        self.came: dict[str, Came] = {}  # counted since the last transaction that was kept
        self.standing_ns = 0  # when it was forwarded last
        self.to_say: set[str] = set()
        self._read_alarms(connection)
        self._say()

    def _read_alarms(self, connection: sqlite3.Connection) -> None:
        """Take all alarms as they are kept."""
        for name in self.statuses:
            for alarm in (
                Alarm(name, self.bore_alarm),
                Alarm(name, self.sight_alarm, about="sight"),
            ):
                kept = read_alarm(connection, name, alarm.about)
                if kept is not None:
                    alarm = Alarm.from_json(kept, alarm.settings)
                self.alarms[name, alarm.about] = alarm
                self.kept[name, alarm.about] = replace(alarm)
            self.to_say.add(name)

    def _ended(self, kept: bool) -> None:
        """Tell what was kept; else go back, since the blocks will come again.

        Without that, the alarms would take for told what was told in vain.
        """
        for key in self.touched:
            if kept:
                self.kept[key] = replace(self.alarms[key])
            else:
                self.alarms[key] = replace(self.kept[key])
                self.written.pop(key, None)
        if kept:
            for number in self.seen:
                self.health.undelivered.pop(number, None)
            for machine, came in self.came.items():
                self.statuses[machine].came = came
            self._say()
        else:
            self.inspections_to = 0
            self.to_count = set(self.statuses)
        self.came.clear()
        self.touched.clear()
        self.seen.clear()

    def __call__(self, connection: sqlite3.Connection, block: Block) -> None:
        """Write what belongs to `block`, in the transaction that is open on `connection`.

        `Ended`, which comes after it, writes nothing.
        """
        match block:
            case Ended(kept):
                self._ended(kept)
            case Kept():
                self._kept(connection, block)
            case Judged():
                self._judged(connection, block)
            case LinkNews(machine, link):
                if self.to_influx:
                    lines = influx.link_lines(machine, link.time_ns, link.connected, link.reason)
                    outbox.put(connection, influx.SINK, "link", link.time_ns, "\n".join(lines))
            case Acknowledgement(machine, (by, is_account)):
                for about in ("bore", "sight"):
                    alarm = self.alarms[machine, about]
                    alarm.acknowledge(time.time_ns(), by)
                    self._told(connection, alarm, [])
                seen = self._undelivered(machine)
                mails.see(connection, machine, seen, by, time.time_ns())
                self.seen += seen
                step = Step(time.time_ns(), by, is_account, "", "acknowledged", machine, "")
                note(connection, step)
            case Shelving(machine, (by, is_account), time_ns, until_ns):
                for about in ("bore", "sight"):
                    alarm = self.alarms[machine, about]
                    notices: list[Notice] = []
                    if until_ns is None:
                        notices = alarm.unshelve(time.time_ns(), by)
                    else:
                        # the time of asking, which `check_shelving` allowed, however long ago
                        alarm.shelve(time_ns, until_ns, by)
                    self._told(connection, alarm, notices)
                what, words = "ended shelving", ""
                if until_ns is not None:
                    until = local_time(until_ns, self.statuses[machine].time_zone)
                    what, words = "shelved", f"until {until}"
                note(connection, Step(time_ns, by, is_account, "", what, machine, words))
            case StoreReplaced(time_ns, words):
                if self.to_mail:
                    message = mail.compose_own("The store was damaged", words, time_ns).as_bytes()
                    mails.put(connection, "", "store", time_ns, message)
            case TimePassed(time_ns):
                self._standing(connection, time_ns)
                self._inspections(connection)
                self._count(connection)
                for machine in self.statuses:
                    self._time_passed(connection, machine)

    def has_open(self, machine: str) -> bool:
        """Whether the machine has an alarm or an undelivered mail that nobody has acknowledged."""
        is_open = any(not self.alarms[machine, about].acknowledged for about in ("bore", "sight"))
        return is_open or bool(self._undelivered(machine))

    def _undelivered(self, machine: str) -> list[int]:
        """Mails that somebody who acknowledges has seen: about his machine, or none of ours."""
        undelivered = dict(self.health.undelivered)  # a copy: the mailing task changes it
        others = self.statuses.keys() - {machine}
        return [i for i, mail in undelivered.items() if mail.machine not in others]

    def is_shelved(self, machine: str) -> bool:
        """Whether an alarm of the machine is shelved."""
        return any(
            self.alarms[machine, about].state is AlarmState.SHELVED for about in ("bore", "sight")
        )

    def check_shelving(self, time_ns: int, until_ns: int) -> None:
        """Raise ValueError if no machine's alarms may be shelved until `until_ns`."""
        self.bore_alarm.check_shelving(time_ns, until_ns)
        self.sight_alarm.check_shelving(time_ns, until_ns)

    def _kept(self, connection: sqlite3.Connection, block: Kept) -> None:
        machine, learned = block.machine, block.learned
        if self.to_influx:
            newest = int(block.samples.time_ns[-1])
            lines = influx.sample_lines(machine, block.samples, learned.phases)
            outbox.put(connection, influx.SINK, outbox.SAMPLE, newest, "\n".join(lines))
            self._forward_results(connection, machine, learned)
            outbox.thin(connection, influx.SINK, OUTBOX_BYTES)
        if learned.alerts:
            self.to_count.add(machine)
        if block.verdict is not None:
            self.verdicts[machine] = block.verdict
        elif learned.alerts:
            self.verdicts[machine] = learned.alerts[-1].verdict
        if len(learned.batches):
            state = STATES[learned.batches[-1]["state"]]
            verdict = self.verdicts[machine]
            reason = verdict.reason if verdict.state is state else state.value
            alarm = self.alarms[machine, "bore"]
            onset_ns = (block.verdict or verdict).onset_ns
            self._told(connection, alarm, alarm.update(state, reason, time.time_ns(), onset_ns))

    def _forward_results(
        self, connection: sqlite3.Connection, machine: str, learned: Learned
    ) -> None:
        stated = stated_of(self.statuses[machine].pump, self.statuses[machine].limit)
        for first in range(0, len(learned.batches), LINES):
            part = learned.batches[first : first + LINES]
            lines = influx.batch_lines(machine, part, stated)
            newest = int(part["end_ns"][-1])
            outbox.put(connection, influx.SINK, "batch", newest, "\n".join(lines))
        if learned.alerts:
            lines = influx.alert_lines(machine, learned.alerts)
            newest = learned.alerts[-1].time_ns
            outbox.put(connection, influx.SINK, "alert", newest, "\n".join(lines))

    def _standing(self, connection: sqlite3.Connection, time_ns: int) -> None:
        """Once a minute, forward how the machines and the watcher itself are."""
        if not self.to_influx or 0 <= time_ns - self.standing_ns < STANDING_NS:
            return
        families = standing_families(self.statuses, outbox.backlogs(connection), self.health)
        lines = influx.family_lines(families, time_ns, instance=socket.gethostname())
        outbox.put(connection, influx.SINK, "standing", time_ns, "\n".join(lines))
        self.standing_ns = time_ns

    def _judged(self, connection: sqlite3.Connection, block: Judged) -> None:
        """The past has become another one: the alarm goes by the verdict that now holds.

        Whatever was told before and still holds is not told again. A time-series server gets what
        came of the new judgement over the old; it keeps what stood at other times.
        """
        if block.watcher is None or block.learned is None:
            return
        machine, verdict = block.machine, block.watcher.verdict()
        if self.to_influx:
            self._forward_results(connection, machine, block.learned)
        self.verdicts[machine] = verdict
        self.to_count.add(machine)
        alarm = self.alarms[machine, "bore"]
        notices = alarm.update(verdict.state, verdict.reason, time.time_ns(), verdict.onset_ns)
        self._told(connection, alarm, notices)

    def _inspections(self, connection: sqlite3.Connection) -> None:
        """Take up what another process has recorded in the store since the last beat."""
        newest = newest_inspection_entry(connection)
        if newest == self.inspections_to:
            return
        for machine in self.statuses:
            alarm = self.alarms[machine, "bore"]
            entry = newest_inspection_entry(connection, machine)
            if entry > alarm.inspection:
                held = inspections(connection, machine).values()
                self._told(connection, alarm, alarm.inspect(entry, held, time.time_ns()))
        self.inspections_to = newest
        self.to_count = set(self.statuses)

    def _count(self, connection: sqlite3.Connection) -> None:
        """Count what came of the alerts, where there is news; the disk's alone are all of them."""
        if connection is self.health.keeping.spare:
            return
        for machine in self.to_count:
            self.came[machine] = came_of_alerts(connection, machine)
        self.to_count.clear()

    def _time_passed(self, connection: sqlite3.Connection, machine: str) -> None:
        status, alarm = self.statuses[machine], self.alarms[machine, "sight"]
        seen = status.is_seen
        # after a start, neither before there was time for a reading
        if seen or status.sight.age > status.blind_after:
            words = "Usable readings come in." if seen else sight_words(status)
            notices = alarm.see(seen, words.removesuffix("."), time.time_ns())
            self._told(connection, alarm, notices)
        for about in ("bore", "sight"):
            alarm = self.alarms[machine, about]
            self._told(connection, alarm, alarm.tick(time.time_ns()))

    def _told(self, connection: sqlite3.Connection, alarm: Alarm, notices: list[Notice]) -> None:
        # the clock alone moves at every beat; to write that down would only wear the disk
        now = replace(alarm, now_ns=None, ration=0.0)
        key = (alarm.machine, alarm.about)
        self.touched.add(key)
        if notices or now != self.written.get(key):
            write_alarm(connection, alarm.machine, alarm.about, alarm.to_json())
            self.written[key] = now
        self.to_say.add(alarm.machine)
        if not self.to_mail:
            return
        for notice in notices:
            message = self._message(connection, notice)
            mails.put(connection, notice.machine, notice.kind, notice.time_ns, message)

    def _message(self, connection: sqlite3.Connection, notice: Notice) -> bytes:
        with shown_in(self.statuses[notice.machine].units):
            return self._composed(connection, notice)

    def _composed(self, connection: sqlite3.Connection, notice: Notice) -> bytes:
        status = self.statuses[notice.machine]
        verdict = self.verdicts[notice.machine]
        figure = None
        if connection is self.health.keeping.spare:
            notice = replace(notice, reason=f"{notice.reason}. {NOT_STORED}")
        if notice.about == "bore" and verdict.state is not State.LEARNING:
            # the verdict belongs to the state that is told
            if notice.state is verdict.state:
                notice = replace(notice, verdict=verdict)
            figure = bore_figure(
                read_table(connection, "batch", notice.machine, verdict.time_ns - SHOWN_NS),
                status.time_zone,
                nominal_bore=verdict.nominal_bore,
                limit=status.limit,
                onset_ns=verdict.onset_ns,
                of_heads=bool(verdict.open_heads),
            )
        told = mail.compose(notice, status.pump, status.time_zone, figure, status.guessed)
        return told.as_bytes()

    def _say(self) -> None:
        for machine in self.to_say:
            status = self.statuses[machine]
            alarms = [self.alarms[machine, about] for about in ("bore", "sight")]
            bore, sight = (alarm.state.value for alarm in alarms)
            is_one = sight == "normal" or bore == sight == "shelved"
            status.alarm = bore if is_one else f"{bore}; sight: {sight}"
            status.inspection = ""
            if (inspected_ns := alarms[0].inspected_ns) is not None:
                when = local_time(inspected_ns, status.time_zone)
                status.inspection = (
                    f"Inspected by {alarms[0].inspected_by}, {when}: {alarms[0].inspected}"
                )
            # both are shelved together, but one may notice a moment earlier that it is over
            status.shelved_until_ns, status.shelved_by = next(
                (
                    (alarm.shelved_until_ns, alarm.shelved_by)
                    for alarm in alarms
                    if alarm.shelved_until_ns is not None
                ),
                (None, None),
            )
        self.to_say.clear()
