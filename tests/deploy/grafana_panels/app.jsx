// The dashboards of deploy/grafana in Grafana's published components, with their own queries.
//
// Grafana's server and its panels are not on npm; @grafana/ui has what they are drawn with. So figures,
// units, colours, mappings and overrides go through Grafana's code, and the frame around them is ours. A
// state timeline is not published: its lanes here are ours, with Grafana's values and colours.
import React from 'react';
import { createRoot } from 'react-dom/client';
import {
  FieldType, ThemeContext, applyFieldOverrides, createTheme, dateTime, getDisplayProcessor, getFieldDisplayName,
  getFieldDisplayValues, renderMarkdown, standardTransformers, toDataFrame,
} from '@grafana/data';
import { BigValue, GlobalStyles, PanelContextProvider, Table, TimeSeries, VizRepeater } from '@grafana/ui';
import { of } from 'rxjs';

const theme = createTheme({ colors: { mode: 'light' } });
const query = new URLSearchParams(location.search);
const read = async (url) => (await fetch(url)).json();
const config = await read('config.json');
const board = await read(`dashboards/${query.get('board')}.json`);
const { start, end } = config; // ms
const range = { from: dateTime(start), to: dateTime(end), raw: { from: dateTime(start), to: dateTime(end) } };
const machine = query.get('machine') || '';
const fill = (text, step) =>
  text
    .replaceAll('$timeFilter', `time >= ${start}ms and time <= ${end}ms`)
    .replaceAll('${machine:regex}', machine)
    .replaceAll('$machine', machine)
    .replaceAll('$__interval', `${step}s`)
    .replaceAll('$__range', `${(end - start) / 1000}s`);

// -- what the panel editors of Grafana would know of each option
const item = (id, isCustom) => ({
  id, path: isCustom ? id.slice('custom.'.length) : id, isCustom, name: id,
  process: (value) => value, shouldApply: () => true, settings: {},
});
const OPTIONS = [
  ...['unit', 'decimals', 'min', 'max', 'mappings', 'color', 'displayName', 'noValue', 'thresholds', 'links'].map(
    (id) => item(id, false)
  ),
  ...['drawStyle', 'lineWidth', 'fillOpacity', 'showPoints', 'spanNulls', 'lineInterpolation', 'lineStyle', 'align',
    'cellOptions', 'width', 'hidden'].map((id) => item(`custom.${id}`, true)),
];
const fieldConfigRegistry = {
  list: () => OPTIONS,
  get: (id) => OPTIONS.find((each) => each.id === id),
  getIfExists: (id) => OPTIONS.find((each) => each.id === id),
};

// -- data
async function influx(target, step) {
  const body = new URLSearchParams({ db: 'borewarden', epoch: 'ms', q: fill(target.query, step) });
  const [result] = (await (await fetch(`${config.influx}/query?${body}`)).json()).results;
  if (result.error) throw new Error(result.error);
  const series = result.series || [];
  if (target.resultFormat === 'table') {
    const tags = Object.keys(series[0]?.tags || {}), columns = series[0]?.columns || [];
    const rows = series.flatMap((each) => each.values.map((row) => [row[0], ...tags.map((t) => each.tags[t]), ...row.slice(1)]));
    const names = [columns[0], ...tags, ...columns.slice(1)];
    return [toDataFrame({
      refId: target.refId,
      fields: names.map((name, i) => ({
        name: name === 'time' ? 'Time' : name,
        type: name === 'time' ? FieldType.time : typeof rows.find((r) => r[i] !== null)?.[i] === 'number' ? FieldType.number : FieldType.string,
        values: rows.map((row) => row[i]),
        config: {},
      })),
    })];
  }
  return series.flatMap((each) =>
    each.columns.slice(1).map((column, i) => {
      const alias = target.alias.replace('$col', column).replace(/\$tag_(\w+)/g, (_, tag) => each.tags?.[tag] ?? '');
      return toDataFrame({
        refId: target.refId,
        fields: [
          { name: 'Time', type: FieldType.time, values: each.values.map((row) => row[0]), config: {} },
          { name: 'Value', type: FieldType.number, values: each.values.map((row) => row[i + 1]), config: { displayNameFromDS: alias } },
        ],
      });
    })
  );
}

async function prometheus(target, step) {
  const asked = { query: fill(target.expr, step) };
  const url = target.instant ? 'query' : 'query_range';
  const when = target.instant ? { time: end / 1000 } : { start: start / 1000, end: end / 1000, step };
  const told = await read(`${config.prometheus}/api/v1/${url}?${new URLSearchParams({ ...asked, ...when })}`);
  if (told.status !== 'success') throw new Error(told.error);
  const found = told.data.result;
  const named = (metric) => target.legendFormat.replace(/{{(\w+)}}/g, (_, label) => metric[label] ?? '');
  if (target.format === 'table') {
    const labels = [...new Set(found.flatMap((each) => Object.keys(each.metric)))];
    return [toDataFrame({
      refId: target.refId,
      fields: [
        { name: 'Time', type: FieldType.time, values: found.map(() => end), config: {} },
        ...labels.map((name) => ({ name, type: FieldType.string, values: found.map((each) => each.metric[name]), config: {} })),
        { name: `Value #${target.refId}`, type: FieldType.number, values: found.map((each) => Number(each.value[1])), config: {} },
      ],
    })];
  }
  return found.map((each) => {
    const points = each.values || [each.value];
    return toDataFrame({
      refId: target.refId,
      fields: [
        { name: 'Time', type: FieldType.time, values: points.map((p) => p[0] * 1000), config: {} },
        { name: 'Value', type: FieldType.number, values: points.map((p) => Number(p[1])), config: { displayNameFromDS: named(each.metric) } },
      ],
    });
  });
}

const merged = (frames) =>
  new Promise((resolve) =>
    of(frames).pipe(standardTransformers.mergeTransformer.operator({}, { interpolate: (v) => v })).subscribe(resolve)
  );

async function framesOf(panel, width) {
  const least = { '1s': 1, '20s': 20, '1h': 3600, '10m': 600 }[panel.interval] || 20;
  const step = Math.max(least, Math.ceil((end - start) / 1000 / width));
  const ask = panel.datasource.type === 'influxdb' ? influx : prometheus;
  let frames = (await Promise.all(panel.targets.map((target) => ask(target, step)))).flat();
  if (panel.transformations) frames = await merged(frames.filter((frame) => frame.length));
  return applyFieldOverrides({
    data: frames, fieldConfig: panel.fieldConfig, replaceVariables: (text) => text, theme, timeZone: 'browser',
    fieldConfigRegistry,
  });
}

// -- panels
function Stat({ panel, frames, width, height }) {
  const options = panel.options;
  const getValues = () =>
    getFieldDisplayValues({
      data: frames, fieldConfig: panel.fieldConfig, reduceOptions: options.reduceOptions, replaceVariables: (v) => v, theme,
      timeZone: 'browser',
    });
  return (
    <VizRepeater
      getValues={getValues} source={frames} width={width} height={height} itemSpacing={3} renderCounter={0}
      orientation={options.orientation} autoGrid={options.orientation === 'auto'}
      renderValue={({ value, width, height, count }) => (
        <BigValue
          value={value.display} width={width} height={height} colorMode={options.colorMode} graphMode="none"
          textMode={options.textMode} justifyMode={options.justifyMode} theme={theme} count={count}
          disableWideLayout={!options.wideLayout}
        />
      )}
    />
  );
}

function Lanes({ panel, frames, height }) {
  const shown = new Map();
  const each = frames.map((frame) => {
    const [time, values] = [frame.fields[0].values, frame.fields[1]];
    const display = values.display || getDisplayProcessor({ field: values, theme });
    const runs = [];
    time.forEach((at, i) => {
      if (values.values[i] === null) return;
      const { text, color } = display(values.values[i]);
      shown.set(text, color);
      const last = runs[runs.length - 1];
      const until = Math.min(at + (time[i + 1] ? Math.min(time[i + 1] - at, 300000) : 60000), end);
      if (last && last.text === text && at - last.until < 60000) last.until = until;
      else runs.push({ at, until, text, color });
    });
    return { name: getFieldDisplayName(values, frame, frames), runs };
  });
  const high = (height - 30) / Math.max(each.length, 1) - 4;
  return (
    <div>
      {each.map(({ name, runs }) => (
        <div className="lane" key={name}>
          <span>{name}</span>
          <div style={{ height: high }}>
            {runs.map(({ at, until, color }) => (
              <i key={at} style={{
                left: `${(100 * (at - start)) / (end - start)}%`, width: `${(100 * (until - at)) / (end - start)}%`, background: color,
              }} />
            ))}
          </div>
        </div>
      ))}
      <div className="key">{[...shown].map(([text, color]) => <span key={text}><b style={{ background: color }} />{text}</span>)}</div>
    </div>
  );
}

function Inside({ panel, frames, width, height }) {
  if (panel.type === 'text') {
    const html = { __html: renderMarkdown(panel.options.content) };
    return <div className="text markdown-html" style={{ width, height }} dangerouslySetInnerHTML={html} />;
  }
  if (!frames.some((frame) => frame.length)) return <p>No data</p>;
  if (panel.type === 'stat') return <Stat {...{ panel, frames, width, height }} />;
  if (panel.type === 'state-timeline') return <div style={{ width }}><Lanes {...{ panel, frames, height }} /></div>;
  if (panel.type === 'table') return <Table data={frames[0]} fieldConfig={panel.fieldConfig} width={width} height={height} />;
  return (
    <PanelContextProvider value={{ eventBus: { publish() {}, getStream: () => of(), subscribe() { return { unsubscribe() {} }; } }, sync: () => 0 }}>
      <TimeSeries
        frames={frames} width={width} height={height} timeRange={range} timeZone="browser" theme={theme}
        legend={{ ...panel.options.legend, calcs: [] }} options={{}} structureRev={1}
      />
    </PanelContextProvider>
  );
}

const CELL = 30, GAP = 8;
let drawn = 0; // px
async function draw() {
  const wide = document.documentElement.clientWidth, column = (wide - GAP) / 24;
  document.querySelector('h1').textContent = board.title;
  const place = document.getElementById('board');
  place.dataset.loading = 'yes';
  place.replaceChildren();
  drawn = wide;
  const rows = Math.max(...board.panels.map((panel) => panel.gridPos.y + panel.gridPos.h));
  place.style.height = `${rows * (CELL + GAP)}px`;
  for (const panel of board.panels) {
    const { x, y, w, h } = panel.gridPos;
    const box = document.createElement('div');
    box.className = 'panel';
    const [width, height] = [w * column - GAP, h * (CELL + GAP) - GAP];
    Object.assign(box.style, { left: `${GAP + x * column}px`, top: `${y * (CELL + GAP)}px`, width: `${width}px`, height: `${height}px` });
    place.append(box);
    const frames = panel.targets ? await framesOf(panel, width) : [];
    createRoot(box).render(
      <ThemeContext.Provider value={theme}>
        <GlobalStyles />
        <h2>{fill(panel.title, 0)}</h2>
        <div className="inside">
          <Inside panel={panel} frames={frames} width={width - 16} height={height - 42} />
        </div>
      </ThemeContext.Provider>
    );
  }
  delete place.dataset.loading;
}
await draw();
addEventListener('resize', () => document.documentElement.clientWidth !== drawn && draw());
