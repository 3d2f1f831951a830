"""One self-contained HTML page on a replay: verdict, evidence, advice, alerts and plots."""

from __future__ import annotations

import html
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray
from plotly.offline import get_plotlyjs

from borewarden.base.shown import chosen, shown
from borewarden.base.text import every_nth, probability_words
from borewarden.base.times import local_time
from borewarden.base.units import INCH, MM, PER_MINUTE
from borewarden.collect.labels import Label
from borewarden.detect.step import WINDOW
from borewarden.diagnose.groups import groups
from borewarden.inspection.cautions import guarded
from borewarden.physics.pump import DirectDrive, Intensifier, Pump
from borewarden.replay.one_machine import Replayed
from borewarden.show.figures import GAP_NS, levels_of, recent_mean
from borewarden.show.learned_words import HEAD_COLUMNS, head_rows, learned_lines, what_helps
from borewarden.show.pages import template_environment
from borewarden.show.replay_words import jet_words, missed_rows, seen_lines
from borewarden.show.style import (
    AXIS,
    BAND,
    BLUE,
    DASHES,
    GREEN,
    GRID,
    INK,
    PAPER,
    PURPLE,
    SKY,
    TICK_FORMATS,
    VEIL,
    VERMILION,
)
from borewarden.show.wording import (
    ALERT_COLUMNS,
    HEADS,
    INVENTED,
    advice,
    alert_rows,
    alerts_title,
    bore_of,
    bore_words,
    figure_lines,
    group_words,
    headline_then,
    is_unjudged,
    jewel_words,
    pressure_words,
    pump_words,
    since,
    told_words,
    undecided,
    what_happened,
    when_of,
)
from borewarden.watcher.batch_loop import DRIFT_BLOCK
from borewarden.watcher.monitor import RECENT
from borewarden.watcher.settings import WatchSettings
from borewarden.watcher.verdict import State, is_of_then

Floats = NDArray[np.float64]

MOST_BINS = 2000
SOUND = "expected with a sound bore"
MEAN = f"mean of {RECENT} batches"


class MarkerKind(NamedTuple):
    """A kind of vertical line; `row` is its line of text above the plot, counted from below."""

    words: str
    dash: str
    colour: str
    row: int

    @property
    def dashes(self) -> str:
        """The dash as SVG has it."""
        return DASHES[self.dash]


ALERT = MarkerKind("alert", "solid", INK, 0)
ONSET = MarkerKind("onset found", "dash", PURPLE, 1)
LABEL = MarkerKind("label: what really happened", "dot", GREEN, 2)
MARKER_KINDS = (ALERT, ONSET, LABEL)
NOTHING_SEEN = "nothing that was measured"


class Marker(NamedTuple):
    """A moment to mark in every plot."""

    time_ns: int
    text: str
    kind: MarkerKind


class Table(NamedTuple):
    """A table of the page."""

    name: str
    title: str
    note: str
    columns: tuple[str, ...]
    rows: list[tuple[str, ...]]


@dataclass(frozen=True)
class Plot:
    """One plot of the page, with its heading and its sentence."""

    name: str
    title: str
    note: str
    figure: Any  # None where there is nothing to draw: the note says what is missing

    @property
    def json(self) -> str:
        """The figure for plotly.js; plotly escapes what could end a script element."""
        return str(self.figure.to_json())

    @property
    def traces(self) -> list[dict[str, str | bool]]:
        """Name and look of each trace, for the page's own legend, which the keyboard reaches."""
        return [
            {
                "name": trace.name,
                "shape": "band" if trace.fill else "dots" if trace.mode == "markers" else "line",
                "colour": trace.fillcolor or trace.marker.color or trace.line.color,
                "dashes": DASHES[trace.line.dash or "solid"],
            }
            for trace in self.figure.data
        ]


def write_report(replayed: Replayed, path: Path) -> None:
    """Write the page to `path`. It needs no network, now or when it is read."""
    verdict, zone = replayed.verdict, replayed.time_zone
    of_then = is_of_then(verdict, replayed.unjudged_hours)
    told = guarded(f"{what_helps(replayed.known[0])}.") if of_then else advice(verdict)
    when = when_of(verdict, replayed.unjudged_hours)
    kinds = {marker.kind for marker in _markers(replayed)}
    page = (
        template_environment()
        .get_template("report.html")
        .render(
            machine=replayed.machine,
            time_zone=zone,
            verdict=verdict,
            of_then=of_then,
            ne107_now=State.CANNOT_TELL.ne107 if of_then else verdict.state.ne107,
            headline=headline_then(verdict, replayed.unjudged_hours, zone),
            state=told_words(verdict),
            since=since(verdict, zone),
            verdict_time=local_time(_time_of(replayed, of_then), zone),
            evidence=[
                line.partition(": ")
                for line in (
                    *seen_lines(replayed),
                    *what_happened(verdict, zone, when),
                    *figure_lines(verdict, replayed.pump, zone, replayed.guessed, when),
                )
            ],
            cautions=told.cautions,
            checks=told.steps,
            tables=_tables(replayed),
            facts=_facts(replayed),
            settings=[*_pump_rows(replayed.pump), *_setting_rows(replayed.settings)],
            plots=list(_plots(replayed)) if len(replayed.samples.time_ns) else [],
            marker_kinds=[kind for kind in MARKER_KINDS if kind in kinds],
            focus=_focus(replayed),
            plotly_js=get_plotlyjs(),
        )
    )
    path.write_text(page, encoding="utf-8")


def _time_of(replayed: Replayed, of_then: bool) -> int:
    """When the verdict is of, ns: of a log in which nothing was judged, its end."""
    verdict, time_ns = replayed.verdict, replayed.samples.time_ns
    if is_unjudged(verdict) and len(time_ns):
        return int(time_ns[-1])
    return (of_then and verdict.judged_ns) or verdict.time_ns


# -- tables


def _tables(replayed: Replayed) -> list[Table]:
    zone = replayed.time_zone
    told = alert_rows(replayed.alerts, zone, replayed.verdict)
    rows: list[tuple[str, ...]] = [(str(number), *row) for number, row in enumerate(told, start=1)]
    tables = [Table("alerts", alerts_title(told), "", ("Number", *ALERT_COLUMNS), rows)]
    if heads := head_rows(replayed.known, replayed.pump, zone):
        tables.insert(0, Table("heads", HEADS, "", HEAD_COLUMNS, [*heads]))
    if replayed.verdict.causes:
        tables.insert(0, _cause_table(replayed))
    if replayed.labels:
        tables.append(
            Table(
                "labels",
                "Labels: what really happened",
                "They came with the log to judge the watcher by. The watcher does not see them.",
                ("Label", "From", "To", "Effective area", "Note"),
                [_label_row(label, zone) for label in replayed.labels],
            )
        )
    return tables


def _cause_table(replayed: Replayed) -> Table:
    """All causes weighed, except those that are next to impossible."""
    by_cause = {belief.cause: belief for belief in replayed.verdict.causes}
    return Table(
        "causes",
        "Probable causes",
        f"Causes below 1 % are left out; {INVENTED}. "
        + ". ".join(undecided(replayed.verdict, replayed.pump)),
        ("Cause", "Probability", "For", "Against"),
        [
            (
                group_words(group),
                probability_words(group.probability),
                "; ".join(by_cause[group.causes[0]].evidence_for) or NOTHING_SEEN,
                "; ".join(by_cause[group.causes[0]].evidence_against) or NOTHING_SEEN,
            )
            for group in groups(replayed.verdict.causes)
            if group.probability >= 0.01
        ],
    )


def _label_row(label: Label, zone: str) -> tuple[str, ...]:
    return (
        label.event,
        local_time(label.start_ns, zone),
        "–" if label.end_ns is None else local_time(label.end_ns, zone),
        "–" if math.isnan(label.area_change) else f"{100.0 * label.area_change:+.1f} %",
        label.note,
    )


def _facts(replayed: Replayed) -> list[tuple[str, str]]:
    """What was replayed."""
    time_ns, zone = replayed.samples.time_ns, replayed.time_zone
    if len(time_ns) == 0:
        return [("Samples", "none")]
    learned = learned_lines(replayed.known, replayed.pump, zone)
    return [
        *(("Jewel", jewel_words(jewel, zone)) for jewel in replayed.jewels),
        ("Log", f"{local_time(int(time_ns[0]), zone)} to {local_time(int(time_ns[-1]), zone)}"),
        ("Samples", f"{len(time_ns):,}"),
        ("Jet on", jet_words(replayed)),
        *missed_rows(replayed),
        *(line.partition(": ")[::2] for line in learned),
        ("Batches", f"{len(replayed.batches):,}"),
    ]


def _pump_rows(pump: Pump) -> list[tuple[str, str]]:
    displacement = pump.displacement
    event = "stroke" if isinstance(pump, Intensifier) else "turn"
    return [
        ("Pump", pump_words(pump)),
        ("Rated pressure", pressure_words(pump.rated_pressure)),
        (f"Limit of {event}s", f"{pump.max_rate / PER_MINUTE:.0f} {event}s/min"),
        (f"Swept volume per {event}", shown("volume").text(displacement.swept_volume)),
        (f"Dead volume per {event}", shown("volume").text(displacement.dead_volume)),
        ("Volumetric efficiency", f"{displacement.volumetric_efficiency:.2f}"),
    ]


def _setting_rows(s: WatchSettings) -> list[tuple[str, str]]:
    def percent(share: float) -> str:
        return f"{100.0 * share:.3g} %"

    return [
        ("Smallest step in effective area to look for", percent(s.smallest_step)),
        ("Limit: area growth at which a bore counts as opened up", percent(s.limit)),
        ("Area growth reported as wear", percent(s.wear_notice)),
        ("Mean jet time between false alarms, as set", f"{s.false_alarm_hours:g} h"),
        ("Mean jet time until a bore opens up, assumed", f"{s.jewel_life_hours:g} h"),
        (
            "Standard uncertainty of the pump's delivery",
            percent(s.flow_uncertainty) if math.isfinite(s.flow_uncertainty) else "not known",
        ),
        ("Model error over hours, allowed for", percent(s.level_uncertainty)),
        ("Smallest noise of a batch, assumed", percent(s.noise_floor)),
        ("Steady cutting to learn the baseline", f"{s.baseline_time / 60.0:g} min"),
    ]


# -- series


def _local_ms(time_ns: Any, zone: str) -> Floats:
    """Wall-clock time of the machine in ms, as plotly's date axes take it.

    The hour that the clocks go back over shows twice.
    """
    utc = pd.to_datetime(np.atleast_1d(np.asarray(time_ns, dtype=np.int64)), utc=True)
    wall = utc.tz_convert(zone).tz_localize(None)
    return np.asarray(wall.as_unit("ms").asi8, dtype=np.float64)


def _binned(time_ns: NDArray[np.int64], values: Floats) -> pd.DataFrame:
    """`low`, `mean`, `high` of `values` over at most `MOST_BINS` equal bins, indexed by ns.

    Empty bins hold NaN.
    """
    span = int(time_ns[-1] - time_ns[0])
    # a bin of a few samples at least, or sample times that jitter would leave holes
    interval = int(np.median(np.diff(time_ns))) if len(time_ns) > 1 else 1
    width = max(-(-span // (MOST_BINS - 1)), 4 * interval, 1)
    index = (time_ns - time_ns[0]) // width
    grouped = pd.Series(values).groupby(index)
    table = pd.DataFrame({"low": grouped.min(), "mean": grouped.mean(), "high": grouped.max()})
    table = table.reindex(np.arange(span // width + 1))
    table.index = time_ns[0] + table.index * width + width // 2
    return table


def _runs(joined: NDArray[np.bool_]) -> list[slice]:
    """Stretches to draw in one go; `joined[i]` says whether point i continues from i - 1."""
    starts = np.flatnonzero(~joined)
    ends = np.append(starts, len(joined))[1:]
    return [slice(a, b) for a, b in zip(starts, ends, strict=True)]


def _line(x: Floats, y: Floats, runs: list[slice], name: str, **look: Any) -> Any:
    """A line that is interrupted between `runs`."""
    starts = [run.start for run in runs]
    look = {"color": BLUE, "width": 1.6, "dash": "solid", **look}
    return go.Scatter(
        x=np.insert(x, starts, x[starts]),
        y=np.insert(y, starts, np.nan),
        name=name,
        mode="lines",
        line=look,
        connectgaps=False,
    )


def _band(x: Floats, low: Floats, high: Floats, runs: list[slice], name: str) -> Any:
    """A filled band between `low` and `high`, a polygon of its own for each of `runs`."""
    gap = np.array([np.nan])
    xs = [part for run in runs for part in (x[run], x[run][::-1], gap)]
    ys = [part for run in runs for part in (high[run], low[run][::-1], gap)]
    return go.Scatter(
        x=np.concatenate([gap, *xs]),
        y=np.concatenate([gap, *ys]),
        name=name,
        mode="lines",
        line={"width": 0},
        fill="toself",
        fillcolor=BAND,
        hoverinfo="skip",
    )


def _points(x: Floats, y: Floats) -> Any:
    """A dot for each batch, or for every nth: a browser draws a few thousand at most."""
    every = max(-(-len(x) // MOST_BINS), 1)
    return go.Scatter(
        x=x[::every],
        y=y[::every],
        name=f"{every_nth(every)} batch",
        mode="markers",
        marker={"size": 4, "color": SKY, "opacity": 0.7},
        hoverinfo="skip",
    )


def _stated_bores(batches: pd.DataFrame, last: float) -> Floats:
    """The stated bore of the jewel that was fitted at each batch, m; NaN where not known.

    Once a jewel is learned and plausible, its batches tell: at the baseline the effective bore is
    the stated one by definition. `last` is the bore of the jewel fitted at the end.
    """
    learned = batches["log_ratio"].notna()
    jewel = (~learned & learned.shift(fill_value=False)).cumsum()
    stated = (batches["bore"] * np.exp(-0.5 * batches["log_ratio"])).groupby(jewel)
    bores = np.array(stated.transform("median"), dtype=np.float64)
    bores[(jewel == jewel.max()).to_numpy()] = last
    return bores


# -- plots


def _markers(replayed: Replayed) -> list[Marker]:
    markers = []
    onsets: list[int] = []
    for number, alert in enumerate(replayed.alerts, start=1):
        markers.append(Marker(alert.time_ns, f"alert {number}", ALERT))
        if alert.verdict.onset_ns is not None:
            onsets.append(alert.verdict.onset_ns)
    if replayed.verdict.onset_ns is not None:  # the same onset, known better since the alert
        onsets = [*onsets[:-1], replayed.verdict.onset_ns]
    markers += [Marker(onset, ONSET.words, ONSET) for onset in dict.fromkeys(onsets)]
    markers += [
        # plotly reads tags in its texts, and an event is anything somebody typed
        Marker(label.start_ns, f"label: {html.escape(label.event)}", LABEL)
        for label in replayed.labels
    ]
    return markers


def _focus(replayed: Replayed) -> list[float] | None:
    """Axis range around the last onset or alert; None if there was neither."""
    times = [replayed.verdict.onset_ns or 0, *(alert.time_ns for alert in replayed.alerts)]
    if max(times) == 0:
        return None
    around = replayed.verdict.onset_ns or times[-1]
    reach = 45 * 60 * 10**9
    return list(_local_ms([around - reach, around + reach], replayed.time_zone))


def _figure(replayed: Replayed, traces: list[Any], **y_axis: Any) -> Any:
    """The traces over the whole time of the replay, with the markers across."""
    zone, time_ns = replayed.time_zone, replayed.samples.time_ns
    first, last = _local_ms([time_ns[0], time_ns[-1]], zone)
    figure = go.Figure(traces)
    markers = _markers(replayed)
    for marker in markers:
        x = float(_local_ms(marker.time_ns, zone)[0])
        figure.add_shape(
            type="line",
            x0=x,
            x1=x,
            yref="paper",
            y0=0,
            y1=1,
            line={"color": marker.kind.colour, "dash": marker.kind.dash, "width": 1.6},
        )
        figure.add_annotation(
            x=x,
            y=1,
            yref="paper",
            yanchor="bottom",
            yshift=1 + 14 * marker.kind.row,
            # words stay inside the plot at either end
            xanchor="left" if x < 0.5 * (first + last) else "right",
            text=marker.text,
            showarrow=False,
            font={"size": 12, "color": INK},
            bgcolor=VEIL,
            borderpad=0,
        )
    rows = 1 + max((marker.kind.row for marker in markers), default=0)
    line = {"gridcolor": GRID, "linecolor": AXIS, "zeroline": False, "showline": True}
    figure.update_layout(
        template="none",
        showlegend=False,
        hovermode="x unified",
        height=250 + 14 * rows,
        margin={"l": 54, "r": 12, "t": 8 + 14 * rows, "b": 34},
        font={"family": "system-ui, sans-serif", "size": 13, "color": INK},
        paper_bgcolor=PAPER,
        plot_bgcolor=PAPER,
        xaxis={
            "type": "date",
            "range": [first, last],
            "hoverformat": "%Y-%m-%d %H:%M:%S",
            "tickformatstops": TICK_FORMATS,
            **line,
        },
        yaxis={"fixedrange": True, **line, **y_axis},
    )
    return figure


class _Batches(NamedTuple):
    """The batches of a replay as plots take them.

    `x` holds their middles and `ends` their ends, both wall-clock ms; `known` says which batches
    have a baseline. `stretches` have no gap in them, and `runs` are those of the same open heads:
    these are joined. `level` is the place of the baseline that a batch has, -1 for none, and means
    are taken over batches of one number in `alike`. With one head, runs and stretches are the same.
    """

    frame: pd.DataFrame
    x: Floats
    ends: Floats
    stretches: list[slice]
    runs: list[slice]
    level: NDArray[np.int64]
    alike: NDArray[np.int64]
    known: NDArray[np.bool_]

    def of(self, name: str, unit: float = 1.0) -> Floats:
        """The column `name` in `unit`."""
        return np.asarray(self.frame[name], dtype=np.float64) / unit


def _batches(replayed: Replayed) -> _Batches:
    frame = pd.DataFrame(replayed.batches)
    starts, ends = (frame[name].to_numpy(dtype=np.int64) for name in ("start_ns", "end_ns"))
    joined = np.zeros(len(frame), dtype=np.bool_)
    joined[1:] = starts[1:] - ends[:-1] <= GAP_NS
    of_heads = bool(replayed.verdict.open_heads)
    level = levels_of(frame, of_heads)
    same = joined.copy()
    same[1:] &= level[1:] == level[:-1]
    alike = np.cumsum(~same, dtype=np.int64)
    if of_heads:  # as in the verdict: the newest batches of the same heads, whatever cut between
        alike[level >= 0] = -1 - level[level >= 0]
    return _Batches(
        frame,
        _local_ms((starts + ends) // 2, replayed.time_zone),
        _local_ms(ends, replayed.time_zone),
        _runs(joined),
        _runs(same),
        level,
        alike,
        frame["log_ratio"].notna().to_numpy(),
    )


def _plots(replayed: Replayed) -> Iterator[Plot]:
    """The plots; what has nothing to draw says why instead, and shows no empty axes."""
    b = _batches(replayed)
    yield _pressure_plot(replayed, b)
    for plot, is_drawn in (
        (_rate_plot, len(b.x) > 0),
        (_bore_plot, len(b.x) > 0),
        (_statistic_plot, b.known.any()),
        (_probability_plot, b.known.any()),
    ):
        drawn = plot(replayed, b)
        yield drawn if is_drawn else replace(drawn, figure=None, note=_missing(replayed))


def _missing(replayed: Replayed) -> str:
    """Why there is nothing to draw."""
    learned = learned_lines(replayed.known, replayed.pump, replayed.time_zone)[:1]
    return " ".join(["Nothing to draw yet.", *(f"{line}." for line in learned)])


def _pressure_plot(replayed: Replayed, b: _Batches) -> Plot:
    """Every sample, binned; with the pressure to expect where it floats with the orifice."""
    pump = replayed.pump
    unit = shown("pressure")
    binned = _binned(replayed.samples.time_ns, replayed.samples.pressure) / unit.factor
    x = _local_ms(binned.index.to_numpy(), replayed.time_zone)
    seen = binned["mean"].notna().to_numpy()
    binned, x, (index,) = binned[seen], x[seen], np.nonzero(seen)
    runs = _runs(np.diff(index, prepend=-2) == 1)
    low, mean, high = (np.asarray(binned[name], np.float64) for name in ("low", "mean", "high"))
    traces = [_band(x, low, high, runs, "lowest to highest"), _line(x, mean, runs, "mean")]
    if isinstance(pump, DirectDrive) and pump.floats and b.known.any():
        baseline = b.of("area") * np.exp(-b.of("log_ratio"))
        given = baseline, b.of("temperature"), b.of("rate")
        expected = np.asarray(pump.reached_pressure(*given))
        traces.append(
            _line(b.x, expected / unit.factor, b.runs, SOUND, color=VERMILION, dash="dash")
        )
    return Plot(
        "pressure",
        f"Pressure, {unit.label}",
        "All samples, in short bins of time.",
        _figure(replayed, traces, rangemode="tozero"),
    )


def _rate_plot(replayed: Replayed, b: _Batches) -> Plot:
    """Strokes or turns."""
    is_intensifier = isinstance(replayed.pump, Intensifier)
    rate = b.of("rate", PER_MINUTE)
    expected = np.where(b.known, b.of("rate_expected", PER_MINUTE), np.nan)
    return Plot(
        "rate",
        "Stroke rate, strokes/min" if is_intensifier else "Crank speed, turns/min",
        "While the jet is steady. Expected: what the baseline's effective area takes at that "
        f"moment's pressure.{_of_heads(replayed)}",
        _figure(
            replayed,
            [
                _points(b.x, rate),
                _line(b.x, recent_mean(rate, b.alike), b.runs, f"seen, {MEAN}"),
                _line(b.x, expected, b.runs, SOUND, color=VERMILION, dash="dash"),
            ],
        ),
    )


def _bore_plot(replayed: Replayed, b: _Batches) -> Plot:
    growth = replayed.settings.limit
    stated_as = "as learned" if replayed.verdict.open_heads else "stated bore"
    last = replayed.verdict.nominal_bore
    heads = bore_of(replayed.verdict)
    # with several heads, each batch has the level of those that were open then
    learned = b.of("bore") * np.exp(-0.5 * b.of("log_ratio"))
    stated = learned if replayed.verdict.open_heads else _stated_bores(b.frame, last)
    limit = stated * (1.0 + growth) ** 0.5
    unit = shown("bore")
    bore, sd = b.of("bore", unit.factor), b.of("bore_sd", unit.factor)
    recent = recent_mean(bore, b.alike)
    # as in the verdict: noise of the mean, and what the model may be off over hours
    before = np.asarray(pd.Series(bore).groupby(b.alike).cumcount(), dtype=np.float64)
    counts = np.minimum(before + 1.0, RECENT)
    sd = np.hypot(sd / counts**0.5, 0.5 * recent * replayed.settings.level_uncertainty)
    line = _line(b.x, recent, b.runs, f"effective bore, {MEAN}")
    line.hovertemplate = f"%{{y:.{unit.digits + 1}f}} {unit.label}"
    if chosen("bore") is None:
        line.hovertemplate += ", %{customdata:.5f} in"
        line.customdata = line.y * (MM / INCH)
    return Plot(
        "bore",
        f"Effective bore, {unit.label}",
        "The sharp-edged bore that would pass the same water. Stated bore"
        f"{heads}: {bore_words(last)}; limit "
        f"{bore_words(last * (1 + growth) ** 0.5)}: {100 * growth:.3g} % more effective area."
        f"{_of_heads(replayed)}",
        _figure(
            replayed,
            [
                _points(b.x, bore),
                _band(b.x, recent - 2 * sd, recent + 2 * sd, b.runs, "± 2 standard uncertainties"),
                line,
                _line(b.x, stated / unit.factor, b.runs, stated_as, color=INK, dash="dash"),
                _line(b.x, limit / unit.factor, b.runs, "limit", color=VERMILION, dash="dashdot"),
            ],
            tickformat=f".{unit.digits}f",
        ),
    )


def _of_heads(replayed: Replayed) -> str:
    """What a plot says where heads take turns; empty with one head."""
    if not replayed.verdict.open_heads:
        return ""
    return " Each line is of the heads that were open then, and jumps where others open."


def _statistic_plot(replayed: Replayed, b: _Batches) -> Plot:
    """Each value from the end of its batch until the next one."""
    return Plot(
        "statistic",
        "Step detector, log likelihood ratio",
        "How much better the batches fit a step than none: the best of all onsets among the last "
        f"{WINDOW} batches. At the threshold it alarms. It then stands still for {DRIFT_BLOCK} "
        "batches, while the watcher pins down onset and size, and starts again from the new level."
        f"{_of_heads(replayed)}",
        _figure(
            replayed,
            [
                _line(b.ends, b.of("statistic"), b.runs, "statistic", shape="hv"),
                _line(b.ends, b.of("threshold"), b.runs, "threshold", color=VERMILION, dash="dash"),
            ],
            rangemode="tozero",
        ),
    )


def _probability_plot(replayed: Replayed, b: _Batches) -> Plot:
    probability = 100.0 * b.of("probability")
    which = ""
    if replayed.verdict.open_heads:
        # each head, or set of heads, has its own, which stays as it is while others cut
        of_each = [
            pd.Series(np.where(b.level == level, probability, np.nan)).ffill()
            for level in np.unique(b.level)
        ]
        probability = np.asarray(pd.concat(of_each, axis=1).max(axis=1), dtype=np.float64)
        which = (
            " It is the highest of the heads, or sets of heads, that have cut so far, each by "
            "itself; the verdict weighs them together."
        )
    return Plot(
        "probability",
        "Probability that the bore opened up, per cent",
        "That the effective area has stepped up by then, that this is not chance, and that no "
        f"other fault did it.{which}",
        _figure(
            replayed,
            [_line(b.ends, probability, b.stretches, "probability", shape="hv")],
            range=[-2, 102],
        ),
    )
