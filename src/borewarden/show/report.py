"""One self-contained HTML page on a replay: verdict, evidence, advice, alerts and plots."""

from __future__ import annotations

import html
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from numpy.typing import NDArray
from plotly.offline import get_plotlyjs

from borewarden.base.text import probability_words
from borewarden.base.times import local_time
from borewarden.base.units import INCH, MM, MPA, PER_MINUTE
from borewarden.collect.labels import Label
from borewarden.gate.batch import Phase
from borewarden.inspection.cautions import CAUTIONS
from borewarden.physics.pump import DirectDrive, Intensifier, Pump
from borewarden.replay.one_machine import Replayed
from borewarden.show.figures import GAP_NS
from borewarden.show.pages import template_environment
from borewarden.show.style import (
    BAND,
    BLUE,
    DASHES,
    GREEN,
    INK,
    PURPLE,
    SKY,
    TICK_FORMATS,
    VERMILION,
)
from borewarden.show.wording import (
    ALERT_COLUMNS,
    advice,
    alert_row,
    bore_words,
    evidence,
    headline,
    jewel_words,
    pressure_words,
    pump_words,
    since,
    state_words,
    undecided,
)
from borewarden.watcher.monitor import RECENT
from borewarden.watcher.settings import WatchSettings

Floats = NDArray[np.float64]

MOST_BINS = 2000


class MarkerKind(NamedTuple):
    """A kind of vertical line. `row` is the line of text above the plot, counted from below."""

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
    """One plot of the page, with the heading and the sentence that go with it."""

    name: str
    title: str
    note: str
    figure: Any

    @property
    def json(self) -> str:
        """The figure for plotly.js; plotly escapes what could end a script element."""
        return str(self.figure.to_json())

    @property
    def traces(self) -> list[dict[str, str | bool]]:
        """Name and look of each trace, for the page's own keyboard-reachable legend."""
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
    """Write the page to `path`. It needs no network, neither now nor when it is read."""
    verdict, zone = replayed.verdict, replayed.time_zone
    told = advice(verdict)
    page = (
        template_environment()
        .get_template("report.html")
        .render(
            machine=replayed.machine,
            time_zone=zone,
            verdict=verdict,
            headline=headline(verdict),
            state=state_words(verdict.state),
            since=since(verdict, zone),
            verdict_time=local_time(verdict.time_ns, zone),
            evidence=[line.partition(": ") for line in evidence(verdict, replayed.pump, zone)],
            cautions=told[: len(CAUTIONS)],
            checks=told[len(CAUTIONS) :],
            tables=_tables(replayed),
            facts=_facts(replayed),
            settings=[*_pump_rows(replayed.pump), *_setting_rows(replayed.settings)],
            plots=list(_plots(replayed)) if len(replayed.samples.time_ns) else [],
            marker_kinds=MARKER_KINDS,
            focus=_focus(replayed),
            plotly_js=get_plotlyjs(),
        )
    )
    path.write_text(page, encoding="utf-8")


# -- tables


def _tables(replayed: Replayed) -> list[Table]:
    zone = replayed.time_zone
    rows: list[tuple[str, ...]] = [
        (str(number), *alert_row(alert, zone))
        for number, alert in enumerate(replayed.alerts, start=1)
    ]
    tables = [Table("alerts", "Alerts", "", ("Alert", *ALERT_COLUMNS), rows)]
    if replayed.verdict.causes:
        tables.insert(0, _cause_table(replayed))
    if replayed.labels:
        tables.append(
            Table(
                "labels",
                "Labels: what really happened",
                "They came with the log, for judging the watcher, which does not see them.",
                ("Label", "From", "To", "Effective area", "Note"),
                [_label_row(label, zone) for label in replayed.labels],
            )
        )
    return tables


def _cause_table(replayed: Replayed) -> Table:
    """All causes weighed, but for those that are next to impossible."""
    return Table(
        "causes",
        "Probable causes",
        "Causes below 1 % are left out. " + ". ".join(undecided(replayed.verdict, replayed.pump)),
        ("Cause", "Probability", "Speaks for it", "Speaks against it"),
        [
            (
                belief.cause.value,
                probability_words(belief.probability),
                "; ".join(belief.evidence_for) or "–",
                "; ".join(belief.evidence_against) or "–",
            )
            for belief in replayed.verdict.causes
            if belief.probability >= 0.01
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
    """What the replay went over."""
    time_ns, zone = replayed.samples.time_ns, replayed.time_zone
    if len(time_ns) == 0:
        return [("Samples", "none")]
    steady = float(np.mean(replayed.phases == Phase.STEADY))
    return [
        *(("Jewel", jewel_words(jewel, zone)) for jewel in replayed.jewels),
        ("Log", f"{local_time(int(time_ns[0]), zone)} to {local_time(int(time_ns[-1]), zone)}"),
        ("Samples", f"{len(time_ns):,}, {steady:.0%} of them steady jet"),
        ("Jet on", f"{replayed.jet_hours:.2f} h seen, {replayed.missed_hours:.2f} h in gaps"),
        ("Batches", f"{len(replayed.batches):,}"),
    ]


def _pump_rows(pump: Pump) -> list[tuple[str, str]]:
    displacement = pump.displacement
    event = "stroke" if isinstance(pump, Intensifier) else "turn"
    return [
        ("Pump", pump_words(pump)),
        ("Rated pressure", pressure_words(pump.rated_pressure)),
        (f"Most {event}s", f"{pump.max_rate / PER_MINUTE:.0f} {event}s/min"),
        (f"Swept volume a {event}", f"{displacement.swept_volume * 1e6:.2f} cm³"),
        (f"Dead volume a {event}", f"{displacement.dead_volume * 1e6:.2f} cm³"),
        ("Volumetric efficiency", f"{displacement.volumetric_efficiency:.2f}"),
    ]


def _setting_rows(s: WatchSettings) -> list[tuple[str, str]]:
    def percent(share: float) -> str:
        return f"{100.0 * share:.3g} %"

    return [
        ("Smallest step of effective area looked for", percent(s.smallest_step)),
        ("Limit: growth of effective area of an opened bore", percent(s.limit)),
        ("Growth of effective area reported as wear", percent(s.wear_notice)),
        ("Wanted mean jet time between false alarms", f"{s.false_alarm_hours:g} h"),
        ("Mean jet time to an opened bore, assumed beforehand", f"{s.jewel_life_hours:g} h"),
        ("Standard uncertainty of the pump's delivery", percent(s.flow_uncertainty)),
        ("What the model may be off over hours", percent(s.level_uncertainty)),
        ("Least noise of one batch believed", percent(s.noise_floor)),
        ("Steady jet to learn the baseline", f"{s.baseline_time / 60.0:g} min"),
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
    """Stretches to draw in one go; `joined[i]` says whether point i goes on from i - 1."""
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
    """A dot for each batch, or for every so manieth: a browser draws some thousands at most."""
    every = max(-(-len(x) // MOST_BINS), 1)
    return go.Scatter(
        x=x[::every],
        y=y[::every],
        name="a batch" if every == 1 else f"every {every}th batch",
        mode="markers",
        marker={"size": 4, "color": SKY, "opacity": 0.7},
        hoverinfo="skip",
    )


def _recent_mean(values: Floats, runs: list[slice]) -> Floats:
    """Mean of each value and those before it, `RECENT` in all and within its run: the "now"."""
    means = [pd.Series(values[run]).rolling(RECENT, min_periods=1).mean() for run in runs]
    return np.concatenate([np.empty(0), *means])


def _stated_bores(batches: pd.DataFrame, last: float) -> Floats:
    """The stated bore of the jewel that was fitted at each batch, m; NaN where not known.

    A batch whose jewel was learned and plausible gives it away: at the baseline the effective
    bore is the stated one by definition. `last` is that of the jewel fitted at the end.
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
    if replayed.verdict.onset_ns is not None:  # the same one, sharpened since the alert
        onsets = [*onsets[:-1], replayed.verdict.onset_ns]
    markers += [Marker(onset, ONSET.words, ONSET) for onset in dict.fromkeys(onsets)]
    markers += [
        # plotly reads tags in its texts, and an event is whatever somebody typed
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
            bgcolor="rgba(255,255,255,0.8)",
            borderpad=0,
        )
    rows = 1 + max((marker.kind.row for marker in markers), default=0)
    line = {"gridcolor": "#e3e6e8", "linecolor": "#8a9299", "zeroline": False, "showline": True}
    figure.update_layout(
        template="none",
        showlegend=False,
        hovermode="x unified",
        height=250 + 14 * rows,
        margin={"l": 54, "r": 12, "t": 8 + 14 * rows, "b": 34},
        font={"family": "system-ui, sans-serif", "size": 13, "color": INK},
        paper_bgcolor="#ffffff",
        plot_bgcolor="#ffffff",
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


def _plots(replayed: Replayed) -> Iterator[Plot]:
    zone, pump = replayed.time_zone, replayed.pump
    b = pd.DataFrame(replayed.batches)
    starts, ends = (b[name].to_numpy(dtype=np.int64) for name in ("start_ns", "end_ns"))
    x = _local_ms((starts + ends) // 2, zone)
    joined = np.zeros(len(b), dtype=np.bool_)
    joined[1:] = starts[1:] - ends[:-1] <= GAP_NS
    runs = _runs(joined)
    known = b["log_ratio"].notna()

    def series(column: pd.Series[float], unit: float) -> Floats:
        return np.asarray(column, dtype=np.float64) / unit

    # pressure: every sample, binned
    binned = _binned(replayed.samples.time_ns, replayed.samples.pressure) / MPA
    binned_x = _local_ms(binned.index.to_numpy(), zone)
    seen = binned["mean"].notna().to_numpy()
    binned, binned_x, (index,) = binned[seen], binned_x[seen], np.nonzero(seen)
    bin_runs = _runs(np.diff(index, prepend=-2) == 1)
    low, mean, high = (series(binned[name], 1.0) for name in ("low", "mean", "high"))
    traces = [
        _band(binned_x, low, high, bin_runs, "least to most"),
        _line(binned_x, mean, bin_runs, "mean"),
    ]
    if isinstance(pump, DirectDrive) and pump.regulation == "none" and known.any():
        expected = np.full(len(b), np.nan)
        expected[known] = pump.expected_pressure(
            series(b["area"] * np.exp(-b["log_ratio"]), 1.0)[known],
            series(b["temperature"], 1.0)[known],
            series(b["rate"], 1.0)[known],
        )
        traces.append(
            _line(x, expected / MPA, runs, "expected of a sound bore", color=VERMILION, dash="dash")
        )
    yield Plot(
        "pressure",
        "Pressure, MPa",
        "All samples, gathered into short bins of time.",
        _figure(replayed, traces, rangemode="tozero"),
    )

    # strokes or turns
    is_intensifier = isinstance(pump, Intensifier)
    mean_words = f"mean of {RECENT} batches"
    rate = series(b["rate"], PER_MINUTE)
    expected = series(b["rate_expected"].where(known), PER_MINUTE)
    yield Plot(
        "rate",
        "Stroke rate, strokes/min" if is_intensifier else "Crank speed, turns/min",
        "While the jet is steady. Expected: what the baseline's effective area takes at the "
        "pressure of that moment.",
        _figure(
            replayed,
            [
                _points(x, rate),
                _line(x, _recent_mean(rate, runs), runs, f"seen, {mean_words}"),
                _line(x, expected, runs, "expected of a sound bore", color=VERMILION, dash="dash"),
            ],
        ),
    )

    # bore
    stated = _stated_bores(b, replayed.verdict.nominal_bore)
    limit = stated * (1.0 + replayed.settings.limit) ** 0.5
    bore, sd = series(b["bore"], MM), series(b["bore_sd"], MM)
    recent = _recent_mean(bore, runs)
    # as in the verdict: noise of the mean, and what the model may be off over hours
    counts = np.concatenate(
        [np.empty(0), *(np.minimum(np.arange(r.stop - r.start) + 1, RECENT) for r in runs)]
    )
    sd = np.hypot(sd / counts**0.5, 0.5 * recent * replayed.settings.level_uncertainty)
    line = _line(x, recent, runs, f"effective bore, {mean_words}")
    line.hovertemplate = "%{y:.4f} mm, %{customdata:.5f} in"
    line.customdata = line.y * (MM / INCH)
    last = replayed.verdict.nominal_bore
    yield Plot(
        "bore",
        "Effective bore, mm",
        f"The sharp bore that would pass the same water. Stated bore "
        f"{bore_words(last)}; limit {bore_words(last * (1 + replayed.settings.limit) ** 0.5)}: "
        f"{100 * replayed.settings.limit:.3g} % more effective area.",
        _figure(
            replayed,
            [
                _points(x, bore),
                _band(x, recent - 2 * sd, recent + 2 * sd, runs, "± 2 standard uncertainties"),
                line,
                _line(x, stated / MM, runs, "stated bore", color=INK, dash="dash"),
                _line(x, limit / MM, runs, "limit", color=VERMILION, dash="dashdot"),
            ],
            tickformat=".3f",
        ),
    )

    # detector: as of the end of each batch, until the next one
    x = _local_ms(ends, zone)
    yield Plot(
        "statistic",
        "Step detector, noise scales",
        "Sum of what each batch lies above the expected. It alarms at the threshold and then "
        "stands still until the effective area is back at its baseline or a new jewel is fitted.",
        _figure(
            replayed,
            [
                _line(x, series(b["statistic"], 1.0), runs, "statistic", shape="hv"),
                _line(
                    x, series(b["threshold"], 1.0), runs, "threshold", color=VERMILION, dash="dash"
                ),
            ],
            rangemode="tozero",
        ),
    )
    yield Plot(
        "probability",
        "Probability that the bore opened up, per cent",
        "That the effective area has stepped up by then, that it is not noise, and that no other "
        "cause did it.",
        _figure(
            replayed,
            [_line(x, 100.0 * series(b["probability"], 1.0), runs, "probability", shape="hv")],
            range=[-2, 102],
        ),
    )
