"""Figures of the definition as queries: PromQL, and InfluxQL as Grafana sends it."""

from __future__ import annotations

from definition import Panel, Value

from borewarden.store.names import ALERT, MACHINE, PHASE, SAMPLE, SAMPLE_FIGURES

SAMPLED = {f"{SAMPLE}_{figure.name}" for figure in (*SAMPLE_FIGURES.values(), PHASE)}
NEWEST = ("stat", "table", "alerts")  # kinds of panels that show one figure of each series


AGO = {"hours": 3600, "days": 86_400}  # s


def heading(value: Value) -> str:
    """What a column of a table is called in PromQL, where a time is so long ago."""
    return f"{value.name}, {value.ago} ago" if value.ago else value.name


def legend(value: Value, panel: Panel, label: str = "{{%s}}") -> str:
    """What a series is called, by its labels in the form of `label`; "" if its own name does."""
    if panel.one and value.by == ("machine",):
        return ""
    # there is a head 1 at every machine
    form = "{0}, head {1}" if value.by == ("machine", "head") else "{0}"
    named = value.by if value.by == ("machine", "head") else value.by[-1:]
    return form.format(*(label % name for name in named))


def promql(value: Value, panel: Panel) -> str:
    """One query; `$machine` is the chosen machine, `$__range` the time range."""
    conditions = ['machine="$machine"'] if panel.one else []
    chosen = ", ".join([*conditions, *filter(None, [value.where])])
    of = f"{{{chosen}}}" if chosen else ""
    if value.promql:
        return value.promql.replace("{of}", of)
    series = f"{value.metric}{of}"
    if value.per:
        series = f"increase({series}[{value.per}])"
    elif panel.kind in NEWEST:
        series = f"last_over_time({series}[$__range])"
    elif panel.kind == "timeline":
        series = f"last_over_time({series}[$__interval])"
    query = _scaled(f"max by ({', '.join(value.by)}) ({series})", value)
    return f"(time() - {query}) / {AGO[value.ago]}" if value.ago else query


def influxql(value: Value, panel: Panel) -> str:
    """One query with the macros of Grafana's data source."""
    return influxql_row((value,), panel)


def influxql_row(values: tuple[Value, ...], panel: Panel) -> str:
    """One query for several figures of the same rows."""
    first = values[0]
    measurement = measurement_and_field(first.metric or "borewarden_state")[0]
    conditions = ["$timeFilter"]
    if panel.one:
        conditions.append('"machine" =~ /^${machine:regex}$/')
    if first.where:
        label, text = first.where.split("=")
        conditions.append(f"\"{label}\" = '{text.strip(chr(34))}'")
    where = " AND ".join(conditions)
    tags = ", ".join(f'"{label}"' for label in first.by)
    if first.influxql or first.per:
        # InfluxQL has no mean of an expression, and no sum of differences, but of a subquery
        inner, outer = first.influxql, "mean"
        if first.per:
            field = measurement_and_field(first.metric)[1]
            inner, outer = f'non_negative_difference("{field}")', "sum"
        source = f'(SELECT {inner} AS "v" FROM "{measurement}" WHERE {where} GROUP BY {tags})'
        every = first.per or "$__interval"
        figure = _scaled(f'{outer}("v")', first)
        return (
            f'SELECT {figure} AS "{first.name}" FROM {source} WHERE $timeFilter '
            f"GROUP BY time({every}), {tags} fill(null)"
        )
    over = "last" if panel.kind in NEWEST or first.words else "mean"
    figures = ", ".join(f'{_figure(over, value)} AS "{value.name}"' for value in values)
    # where nothing is, a line has to end: with fill(none) it would go on
    filled = "null" if panel.kind == "graph" else "none"
    grouped = tags if panel.kind in NEWEST else f"time($__interval), {tags} fill({filled})"
    return f'SELECT {figures} FROM "{measurement}" WHERE {where} GROUP BY {grouped}'


def alerts_influxql(panel: Panel) -> str:
    """The alerts themselves; their words name size and probability."""
    chosen = ' AND "machine" =~ /^${machine:regex}$/' if panel.one else ""
    return (
        'SELECT "machine" AS "Machine", "state" AS "Verdict", '
        '1000 * "onset_timestamp_seconds" AS "Onset", "reason" AS "Reason" '
        f'FROM "{ALERT}" WHERE $timeFilter{chosen} ORDER BY time DESC'
    )


def measurement_and_field(metric: str) -> tuple[str, str]:
    """Where rows of line protocol have a metric."""
    if metric in SAMPLED:
        return SAMPLE, metric.removeprefix(f"{SAMPLE}_")
    if metric.startswith(f"{ALERT}_"):
        return ALERT, metric.removeprefix(f"{ALERT}_")
    if metric.startswith("process_"):
        return "process", metric.removeprefix("process_")
    return MACHINE, metric.removeprefix(f"{MACHINE}_")


def _figure(over: str, value: Value) -> str:
    """A figure of InfluxQL; a time in ms, as Grafana takes it."""
    figure = f'{over}("{measurement_and_field(value.metric)[1]}")'
    return f"{figure} * 1000" if value.ago else _scaled(figure, value)


def _scaled(query: str, value: Value) -> str:
    if value.scale >= 1.0:
        query = query if value.scale == 1.0 else f"{query} * {value.scale:.15g}"
    else:
        query = f"{query} / {1.0 / value.scale:.15g}"
    if value.offset:
        query = f"{query} {'-' if value.offset < 0.0 else '+'} {abs(value.offset):g}"
    return query
