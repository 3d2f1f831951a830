"""What the dashboards show, once for every user interface: panels, figures, colours, places.

`queries` turns the figures into PromQL and InfluxQL, `grafana` and `perses` the panels into JSON.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from borewarden.gate.batch import Phase
from borewarden.show.style import (
    BLUE,
    DARK_GREY,
    GREEN,
    GREY,
    LIGHT_PURPLE,
    ORANGE,
    RULE,
    SIGN_COLOURS,
    SKY,
    VERMILION,
    YELLOW,
)
from borewarden.watcher.verdict import STATES

Unit = Literal["", "percent", "bytes", "seconds", "celsius"]
Words = dict[int | str, tuple[str, str]]  # text and colour of a value

# number, order and colour as on the live page
VERDICTS: Words = {
    code: (state.value, SIGN_COLOURS[state.ne107]) for code, state in enumerate(STATES)
}
PHASES: Words = {
    Phase.NO_DATA: ("no data", GREY),
    Phase.STOPPED: ("stopped", RULE),
    Phase.JET_OFF: ("jet off, pressure held", SKY),
    Phase.RAMP: ("ramp", YELLOW),
    Phase.PIERCE: ("low-pressure pierce", ORANGE),
    Phase.STEADY: ("cutting, steady", GREEN),
    Phase.BYPASS: ("bypass spills", LIGHT_PURPLE),
    Phase.UNUSABLE: ("not usable", DARK_GREY),
}
SEEN: Words = {1: ("seen", GREEN), 0: ("not seen", VERMILION)}
YES_NO: Words = {1: ("yes", GREEN), 0: ("NO", VERMILION)}
WELL: Words = {1: ("well", GREEN), 0: ("see /healthz", VERMILION)}
FAILING: Words = {0: ("delivers", GREEN), 1: ("fails", VERMILION)}

CAUTIONS = """**Ultra-high-pressure jets maim. Before opening anything: stop the pump, lock it out \
and tag it, bleed the pressure down, verify zero pressure.** Never put a hand near the jet, never \
feel for leaks. An injection injury is an emergency however small it looks: go to hospital at \
once and say that it is a high-pressure injection. Local codes, the pump maker's manual and \
qualified people come before anything shown here. borewarden only reads and estimates; it is not \
a safety device. *Effective* bore and area are what the pump sees: a bore has *probably* opened \
up, since other ways out for the water look the same."""

# px: read from 3 m, on a screen of 24 inches, alone and one of several; and read at a desk
HUGE, BIG, LARGE = 96, 84, 38


class Place(NamedTuple):
    """On a grid of 24 columns."""

    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True)
class Value:
    """A figure under `name`: `metric` times `scale` plus `offset`, as `/metrics` calls it.

    `by` are the labels that tell its series apart; `where` further ones that choose, such as
    'sink="influx"'. `per`: what was counted in each such time. `ago`: a Unix time, shown as how
    many "hours" or "days" ago; InfluxQL can't reckon with the present, and shows the time itself.
    `promql` and `influxql` stand for all of it where the two have to differ.
    """

    name: str
    metric: str = ""
    scale: float = 1.0
    offset: float = 0.0
    by: tuple[str, ...] = ("machine",)
    where: str = ""
    per: str = ""
    ago: Literal["", "hours", "days"] = ""
    colour: str = DARK_GREY
    dashed: bool = False
    unit: Unit = ""
    decimals: int = 1
    words: Words | None = None
    promql: str = ""
    influxql: str = ""


Kind = Literal["stat", "timeline", "graph", "bars", "table", "alerts", "text"]


@dataclass(frozen=True)
class Panel:
    """One panel. `one` machine, the chosen one, or all; `size` of its figures in px."""

    kind: Kind
    title: str
    about: str
    place: Place
    values: tuple[Value, ...] = ()
    one: bool = True
    size: int = LARGE
    minimum: float | None = None
    maximum: float | None = None
    gap: int = 900  # s without a value from which on a line is broken
    text: str = ""


@dataclass(frozen=True)
class Board:
    """One dashboard."""

    name: str
    title: str
    about: str
    panels: tuple[Panel, ...]
    choose_machine: bool = False
    since: str = "12h"
    marks: bool = True


def cautions(y: int) -> Panel:
    """The cautions, across the whole width."""
    return Panel("text", "Cautions", "", Place(0, y, 24, 5), text=CAUTIONS)


SAMPLE_GAP = 60
BORE = "borewarden_effective_bore_meters"
RATIO = "borewarden_effective_area_ratio"
LIMIT = "borewarden_area_limit_ratio"
HEAD_JET = "borewarden_head_jet_seconds_total"
JET_LEFT = "borewarden_jet_to_limit_least_seconds"

VERDICT = Value("Verdict", "borewarden_verdict_code", words=VERDICTS, decimals=0)
NEWEST = (
    Value("Effective bore, mm", BORE, 1000.0, decimals=4),
    Value("Area growth", RATIO, 100.0, -100.0, unit="percent"),
    Value("Probability", "borewarden_opened_probability", 100.0, unit="percent", decimals=0),
    Value(
        "Stroke rate left", "borewarden_overstroke_margin_ratio", 100.0, unit="percent", decimals=0
    ),
    Value("Jet hours", "borewarden_jet_seconds_total", 1 / 3600.0),
)


def fleet() -> Board:
    """All machines."""
    return Board(
        "fleet",
        "borewarden: all machines",
        "Every watched pump, with the state of its jewel and of its link.",
        (
            Panel(
                "stat",
                "Verdict",
                "The newest verdict of each machine within the time range.",
                Place(0, 0, 24, 14),
                (VERDICT,),
                one=False,
                size=BIG,
            ),
            Panel(
                "table",
                "Jewels at a glance",
                "The newest batch of each machine within the time range. A crank pump has no "
                "overstroke, so no stroke rate left.",
                Place(0, 14, 24, 7),
                (VERDICT, *NEWEST),
                one=False,
            ),
            Panel(
                "timeline",
                "Verdict over time",
                "What the watcher believed, batch by batch. Empty while no jet is steady.",
                Place(0, 21, 24, 7),
                (VERDICT,),
                one=False,
            ),
            Panel(
                "table",
                "Links and readings",
                "Whether each controller answers and gives usable readings. While it does not, "
                "nobody watches that pump. A verdict is one of the newest judged jet.",
                Place(0, 28, 12, 7),
                (
                    Value(
                        "Controller answers", "borewarden_link_connected", words=YES_NO, decimals=0
                    ),
                    Value("Readings usable", "borewarden_sight", words=YES_NO, decimals=0),
                    Value("Hours since jet", "borewarden_jet_age_seconds", 1 / 3600),
                ),
                one=False,
            ),
            Panel(
                "stat",
                "Newest water pressure, MPa",
                "Of each machine's newest sample within the time range.",
                Place(12, 28, 12, 7),
                (Value("Pressure", "borewarden_sample_pressure_pascals", 1e-6),),
                one=False,
            ),
            alerts(35, one=False),
            cautions(42),
        ),
    )


def alerts(y: int, one: bool) -> Panel:
    """The alerts, newest first; PromQL has no texts, so it shows the newest step of each state."""
    by = ("machine", "state")
    return Panel(
        "alerts",
        "Alerts",
        "Every change of state that somebody should know about, with onset, size and the "
        "probability that the bore has opened up.",
        Place(0, y, 24, 7),
        (
            Value("Onset", "borewarden_alert_onset_timestamp_seconds", by=by, ago="hours"),
            Value("Area step", "borewarden_alert_step_ratio", 100.0, by=by, unit="percent"),
            Value(
                "Probability",
                "borewarden_alert_opened_probability",
                100.0,
                by=by,
                unit="percent",
                decimals=0,
            ),
        ),
        one=one,
    )


def machine() -> Board:
    """One machine, chosen above."""
    small = [Place(4 * i, 6, 4, 4) for i in range(6)]
    figures = (*NEWEST, Value("Pressure, MPa", "borewarden_sample_pressure_pascals", 1e-6))
    return Board(
        "machine",
        "borewarden: one machine",
        "One pump: what it does, what it should do, and what the watcher thinks of it.",
        (
            Panel(
                "stat",
                "$machine",
                "The newest verdict within the time range.",
                Place(0, 0, 24, 6),
                (VERDICT,),
                size=HUGE,
            ),
            *(
                Panel("stat", value.name, "The newest one within the time range.", place, (value,))
                for place, value in zip(small, figures, strict=True)
            ),
            Panel(
                "timeline",
                "Verdict over time",
                "What the watcher believed, batch by batch.",
                Place(0, 10, 24, 6),
                (VERDICT,),
            ),
            Panel(
                "timeline",
                "What the machine does",
                "The phase of the newest sample. The bore is judged only while cutting steadily.",
                Place(0, 16, 24, 6),
                (Value("Phase", "borewarden_sample_phase", words=PHASES, decimals=0),),
                gap=SAMPLE_GAP,
            ),
            *_courses(22),
            heads(54),
            alerts(59, one=True),
            cautions(66),
        ),
        choose_machine=True,
    )


def heads(y: int, one: bool = True) -> Panel:
    """What is in each head, and how probable it is that its jewel opened up."""
    by = ("head",) if one else ("machine", "head")
    jewel = (
        Value("Bore, mm", "borewarden_head_stated_bore_meters", 1000.0, by=by, decimals=3),
        Value("Fitted", "borewarden_head_fitted_timestamp_seconds", by=by, ago="days"),
        Value("Jet hours", HEAD_JET, 1 / 3600.0, by=by),
    )
    chance = Value(
        "This head", "borewarden_head_opened_probability", 100.0, by=by, unit="percent", decimals=0
    )
    return Panel(
        "table",
        "By head",
        "The jewel of each head as stated, and its jet hours: of its own where the head has a "
        "valve signal, else of the pump."
        + " Where each head has one: how probable it is that it is this head, if a jewel opened up."
        * one,
        Place(0, y, 24, 5) if one else Place(0, y, 17, 7),
        (*jewel, chance) if one else jewel,
        one=one,
    )


def _courses(y: int) -> tuple[Panel, ...]:
    """Graphs of one machine, in two columns of eight rows each."""
    places = [Place(12 * (i % 2), y + 8 * (i // 2), 12, 8) for i in range(8)]
    return (
        Panel(
            "graph",
            "Effective bore and its limit, µm",
            "The bore that the pump sees, at the learned C_d. At the limit, the area has grown by "
            "what the machine file states.",
            places[0],
            (
                Value("Effective bore", BORE, 1e6, colour=BLUE),
                Value(
                    "Limit",
                    colour=VERMILION,
                    dashed=True,
                    promql=f"1000000 * {BORE}{{of}} * sqrt({LIMIT}{{of}} / {RATIO}{{of}})",
                    influxql='1000000 * "effective_bore_meters" * '
                    'sqrt("area_limit_ratio" / "effective_area_ratio")',
                ),
            ),
        ),
        Panel(
            "graph",
            "Growth of the effective area",
            "From the baseline of the fitted jewel, with the watcher's wear line and the limit. "
            "Empty until the jewel is learned.",
            places[1],
            (
                Value("Area growth", RATIO, 100.0, -100.0, unit="percent", colour=BLUE),
                Value(
                    "Wear line",
                    "borewarden_wear_line_ratio",
                    100.0,
                    -100.0,
                    colour=ORANGE,
                    dashed=True,
                    unit="percent",
                ),
                Value("Limit", LIMIT, 100.0, -100.0, colour=VERMILION, dashed=True, unit="percent"),
            ),
        ),
        Panel(
            "graph",
            "Strokes or turns a minute",
            "Expected is what the fitted jewel should take at that moment's pressure.",
            places[2],
            (
                Value("Seen", "borewarden_rate_hertz", 60.0, colour=BLUE),
                Value(
                    "Expected", "borewarden_rate_expected_hertz", 60.0, colour=ORANGE, dashed=True
                ),
            ),
        ),
        Panel(
            "graph",
            "Water pressure, MPa",
            "Behind the attenuator, as the controller reports it.",
            places[3],
            (Value("Pressure", "borewarden_sample_pressure_pascals", 1e-6, colour=BLUE),),
            gap=SAMPLE_GAP,
        ),
        Panel(
            "graph",
            "Step detector: log likelihood ratio",
            "Of the likeliest step up. At the threshold there is an alert; then it stands still "
            "for 20 batches.",
            places[4],
            (
                Value("Statistic", "borewarden_step_statistic", colour=BLUE),
                Value("Threshold", "borewarden_step_threshold", colour=VERMILION, dashed=True),
            ),
            minimum=0.0,
        ),
        Panel(
            "graph",
            "Probability that the bore opened up",
            "That the effective area stepped up, not by chance and not by another fault.",
            places[5],
            (
                Value(
                    "Probability",
                    "borewarden_opened_probability",
                    100.0,
                    unit="percent",
                    colour=BLUE,
                ),
            ),
            minimum=0.0,
            maximum=100.0,
        ),
        Panel(
            "graph",
            "Stroke rate left",
            "Before the pump overstrokes, at 0. Empty for a crank pump.",
            places[6],
            (
                Value(
                    "Left",
                    "borewarden_overstroke_margin_ratio",
                    100.0,
                    unit="percent",
                    colour=BLUE,
                ),
            ),
            minimum=0.0,
            maximum=100.0,
        ),
        Panel(
            "graph",
            "Water temperature, °C",
            "At the inlet. It changes the water's density, and so the strokes.",
            places[7],
            (Value("Water", "borewarden_sample_temperature_kelvin", 1.0, -273.15, colour=BLUE),),
            gap=SAMPLE_GAP,
        ),
    )


def jewels() -> Board:
    """How long the jewels have cut, and what is in which head."""
    jet = "borewarden_jet_seconds_total"
    of_head = Value("Jet hours", HEAD_JET, 1 / 3600.0, by=("machine", "head"))
    return Board(
        "jewels",
        "borewarden: jet hours and jewels",
        "How long each jewel has been cutting, and which is where.",
        (
            Panel(
                "stat",
                "Jet hours of each jewel",
                "Of the jewel in each head, those from before it was fitted included; as far as "
                "recorded. Of a head without a valve signal they are the pump's.",
                Place(0, 0, 12, 8),
                (of_head,),
                one=False,
                size=64,
            ),
            Panel(
                "stat",
                "Growth of its area",
                "In the newest batch within the time range.",
                Place(12, 0, 12, 8),
                (Value("Area growth", RATIO, 100.0, -100.0, unit="percent"),),
                one=False,
                size=64,
            ),
            heads(8, one=False),
            Panel(
                "stat",
                "Jet hours not recorded",
                "Time with the jet on that the watcher did not see, of the fitted jewel.",
                Place(17, 8, 7, 7),
                (Value("Not recorded", "borewarden_missed_jet_seconds_total", 1 / 3600.0),),
                one=False,
            ),
            Panel(
                "table",  # a figure alone would not say of which machine
                "Jet hours left",
                "Until wear alone, which may speed up, reaches the limit: 95 in 100 that it is "
                "longer. None after a step, and none while no end is in sight. A chip gives no "
                "warning.",
                Place(0, 15, 7, 8),
                (Value("At least", JET_LEFT, 1 / 3600.0, decimals=0),),
                one=False,
            ),
            Panel(
                "bars",
                "Jet hours an hour",
                "How much of each hour the jet of each pump was on, with any of its heads. A new "
                "jewel counts from zero; its fall is not jet time.",
                Place(7, 15, 17, 8),
                (Value("Jet hours", jet, 1 / 3600.0, per="1h"),),
                one=False,
                minimum=0.0,
            ),
            Panel(
                "graph",
                "Jet hours of each jewel, over time",
                "Rises while the head's jet is on; a fall to zero is a new jewel.",
                Place(0, 23, 12, 8),
                (of_head,),
                one=False,
                minimum=0.0,
                gap=86_400,
            ),
            Panel(
                "graph",
                "Wear line: growth of the area",
                "As the watcher's wear line has it.",
                Place(12, 23, 12, 8),
                (Value("Wear line", "borewarden_wear_line_ratio", 100.0, -100.0, unit="percent"),),
                one=False,
                gap=86_400,
            ),
            cautions(31),
        ),
    )


def watcher() -> Board:
    """How the watcher itself is."""
    own, sink, part = ("instance",), ("instance", "sink"), ("instance", "part")
    return Board(
        "watcher",
        "borewarden: the watcher itself",
        "Its store, its disk, its mails and what it forwards. A watcher that is down says nothing: "
        "let systemd, /healthz or Prometheus look after it.",
        (
            Panel(
                "stat",
                "Its parts",
                "Store, disk and mail.",
                Place(0, 0, 12, 7),
                (Value("Part", "borewarden_service_healthy", by=part, words=WELL, decimals=0),),
                one=False,
                size=48,
            ),
            Panel(
                "stat",
                "Sending",
                "Whether the last attempt to send failed.",
                Place(12, 0, 12, 7),
                (
                    Value(
                        "Sending", "borewarden_outbox_failing", by=sink, words=FAILING, decimals=0
                    ),
                ),
                one=False,
                size=48,
            ),
            Panel(
                "timeline",
                "Machines seen",
                "Whether there was a usable reading lately.",
                Place(0, 7, 24, 6),
                (Value("Sight", "borewarden_sight", words=SEEN, decimals=0),),
                one=False,
                gap=300,
            ),
            Panel(
                "graph",
                "Waiting to be sent",
                "Payloads in the outbox, by where they go.",
                Place(0, 13, 12, 8),
                (Value("Waiting", "borewarden_outbox_waiting", by=sink, decimals=0),),
                one=False,
                minimum=0.0,
                gap=300,
            ),
            Panel(
                "graph",
                "Refused and kept",
                "Payloads that a server refused. `borewarden store resend` has them sent again.",
                Place(12, 13, 12, 8),
                (Value("Refused", "borewarden_outbox_refused", by=sink, decimals=0),),
                one=False,
                minimum=0.0,
                gap=300,
            ),
            Panel(
                "graph",
                "Samples kept in ten minutes",
                "Of each machine. Samples of a machine that is not seen are none.",
                Place(0, 21, 12, 8),
                (Value("Samples", "borewarden_samples_total", per="10m", decimals=0),),
                one=False,
                minimum=0.0,
                gap=300,
            ),
            Panel(
                "graph",
                "From a sample until it is kept, s",
                "99 of 100 of the newest ones took no longer.",
                Place(12, 21, 12, 8),
                (
                    Value(
                        "p99",
                        "borewarden_sample_to_kept_seconds",
                        where='quantile="0.99"',
                        decimals=2,
                    ),
                ),
                one=False,
                minimum=0.0,
                gap=300,
            ),
            Panel(
                "graph",
                "Free on the disk of the store, GB",
                "Below seven days until it is full, /healthz says so.",
                Place(0, 29, 12, 8),
                (Value("Free", "borewarden_disk_free_bytes", 1e-9, by=own),),
                one=False,
                minimum=0.0,
                gap=300,
            ),
            Panel(
                "graph",
                "Memory of the watcher, MB",
                "Resident.",
                Place(12, 29, 12, 8),
                (Value("Memory", "process_resident_memory_bytes", 1e-6, by=own, decimals=0),),
                one=False,
                minimum=0.0,
                gap=300,
            ),
        ),
        marks=False,
    )


def boards() -> tuple[Board, ...]:
    """All of them."""
    return fleet(), machine(), jewels(), watcher()
