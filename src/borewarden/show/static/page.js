"use strict";

// Everything shown comes from the service's events, in words made there. This script puts them in
// place and draws the plots. Text goes in as text, never as HTML.

const look = JSON.parse(document.body.dataset.look);
const { palette } = look;
const SILENCE = 6000; // ms; an event is due every second
const MOST_KEPT = 6000; // points of one plot
const PER_MINUTE = 1 / 60; // Hz

const byId = (id) => document.getElementById(id);
const machines = new Map(); // name: { card, node, batches, every, asked }
let hours = 8;
let lastEvent = Date.now();
let serviceNow = 0; // ms; this computer's clock may be wrong

// -- words

function put(node, words) {
  // a number stays on one line with its unit
  const text = words.replace(/(\d) (?=(%|mm|in|thou|MPa|bar|kpsi|psi|h|s|min|d)\b|%)/g, "$1\u00a0")
    .replace(/(\d) ± (?=\d)/g, "$1\u00a0±\u00a0");
  // leave unchanged text alone, or screen readers would say it every second
  if (node.textContent !== text) node.textContent = text;
}

function make(tag, text) {
  const node = document.createElement(tag);
  put(node, text);
  return node;
}

function notice(node, text) {
  put(node, text);
  node.hidden = text === "";
}

function build(cards) {
  machines.clear();
  byId("cards").replaceChildren();
  byId("checks").replaceChildren();
  cards.forEach((card, index) => {
    const node = byId("card").content.firstElementChild.cloneNode(true);
    const title = node.querySelector("h2");
    title.id = `machine-${index}`;
    node.setAttribute("aria-labelledby", title.id);
    for (const form of node.querySelectorAll("form")) form.addEventListener("submit", post);
    byId("cards").append(node);
    const checks = document.createElement("div");
    byId("checks").append(checks);
    machines.set(card.name, { card, node, checks, batches: null, every: 1, batchWords: "",
      asked: false });
  });
}

function show(machine, card) {
  const { node } = machine;
  machine.card = card;
  for (const place of node.querySelectorAll("[data-text]")) {
    put(place, card[place.dataset.text]);
    place.hidden = card[place.dataset.text] === "";
  }
  node.dataset.sign = card.sign;
  node.dataset.seen = card.blind === "";
  node.dataset.proven = card.is_proven;
  node.dataset.link = card.link_state;
  node.dataset.open = card.open;
  node.dataset.shelved = card.shelved;
  node.querySelector(".sign use").setAttribute("href", `#sign-${card.sign}`);
  node.querySelector(".link-sign use").setAttribute("href", `#link-${card.link_state}`);
  const title = `${card.load_title}, ${card.load_unit}`;
  put(node.querySelector("[data-plot-title]"), title);
  node.querySelector("[data-plot=bore]").setAttribute("aria-label",
    `Trend of the effective bore: now ${card.bore}, ${card.bore_note}`);
  node.querySelector("[data-plot=load]").setAttribute("aria-label",
    `Trend: ${title}, now ${card.load}, ${card.load_expected}`);
  showTable(machine, ".alerts", card.alerts);
  node.querySelector(".no-alerts").hidden = card.alerts.length > 0;
  showTable(machine, ".heads", card.heads);
  node.querySelector(".heads").hidden = card.heads.length === 0;
  showCauses(machine, card.causes);
  showChecks(machine, card);
}

function changed(machine, what, value) {
  const text = JSON.stringify(value);
  if (machine[what] === text) return false;
  machine[what] = text;
  return true;
}

function showTable(machine, place, rows) {
  if (!changed(machine, `${place} shown`, rows)) return;
  const table = machine.node.querySelector(`${place} table`);
  const names = [...table.querySelectorAll("th")].map((head) => head.textContent);
  table.querySelector("tbody").replaceChildren(...rows.map((cells) => {
    const row = document.createElement("tr");
    cells.forEach((text, index) => {
      const cell = make("td", text);
      cell.dataset.name = names[index];
      row.append(cell);
    });
    return row;
  }));
  table.hidden = rows.length === 0;
}

function showCauses(machine, causes) {
  if (!changed(machine, "causesShown", causes)) return;
  const place = machine.node.querySelector(".causes");
  place.querySelector("ol").replaceChildren(...causes.map(({ cause, probability, percent }) => {
    const row = document.createElement("li");
    const bar = document.createElement("i"); // only repeats the number
    bar.setAttribute("aria-hidden", "true");
    bar.style.setProperty("--share", probability);
    row.append(make("span", cause), " ", make("b", percent), bar);
    return row;
  }));
  place.hidden = causes.length === 0;
}

function showChecks(machine, card) {
  if (!changed(machine, "checksShown", card.checks)) return;
  const list = document.createElement("ol");
  list.append(...card.checks.map((text) => make("li", text)));
  machine.checks.replaceChildren(make("h3", `${card.name}: what to check first`), list);
}

function summarise(cards) {
  const counts = new Map();
  for (const card of cards) {
    counts.set(card.group, (counts.get(card.group) ?? 0) + 1);
  }
  const order = ["failure", "not seen", "out of specification", "maintenance required",
    "function check", "not proven", "no jet lately", "good"];
  const parts = order.filter((name) => counts.has(name)).map((name) =>
    `${counts.get(name)} ${name}`);
  const open = cards.filter((card) => card.open).length;
  const machinesWord = cards.length === 1 ? "machine" : "machines";
  const shelved = cards.filter((card) => card.shelved).length;
  const text = `${cards.length} ${machinesWord}: ${parts.join(", ")}`
    + (open ? ` – ${open} unacknowledged` : "") + (shelved ? ` – ${shelved} shelved` : "");
  put(byId("summary"), text);
  const title = parts.length ? `${parts[0]} – borewarden` : "borewarden";
  if (document.title !== title) document.title = title;
}

// -- plots

function add(machine, fresh) {
  // stream and history may bring the same batch
  const { batches } = machine;
  if (batches === null || !fresh.end_ns) return false;
  const last = batches.end_ns.at(-1) ?? 0;
  const from = fresh.end_ns.findIndex((time) => time > last);
  if (from < 0) return false;
  for (const name of Object.keys(batches)) {
    batches[name].push(...fresh[name].slice(from));
    batches[name].splice(0, batches[name].length - MOST_KEPT);
  }
  return true;
}

function levelsOf(batches, places) {
  // the area that was learned of the heads that were open: each set of heads has one of its own
  return places.map((i) => batches.log_ratio[i] === null || batches.area[i] === null ? null
    : Math.round(1e6 * (Math.log(batches.area[i]) - batches.log_ratio[i])));
}

function drawn(batches, byHeads) {
  // indices in the window, and which of them start a new stretch
  const first = batches.end_ns.at(-1) - hours * 3600e9;
  const places = [...batches.end_ns.keys()].filter((i) => batches.end_ns[i] > first);
  // of thinned batches, the neighbours are further apart
  const gaps = places.map((i, n) => n === 0 ? 0 : batches.end_ns[i] - batches.end_ns[places[n - 1]]);
  const usual = [...gaps].sort((a, b) => a - b)[gaps.length >> 1] ?? 0;
  const levels = byHeads ? levelsOf(batches, places) : places.map(() => 0);
  return { places, levels, starts: gaps.map((gap, n) => gap > Math.max(look.gapNs, 3 * usual)
    || (n > 0 && levels[n] !== levels[n - 1])) };
}

function line(batches, { places, starts }, values, name, style) {
  const x = [];
  const y = [];
  places.forEach((i, n) => {
    if (starts[n]) {
      x.push(batches.local_ms[i]);
      y.push(null);
    }
    x.push(batches.local_ms[i]);
    y.push(values[n]);
  });
  return { x, y, name, mode: "lines", connectgaps: false, line: { width: 2, ...style } };
}

function meanOf(values, { starts, levels }, count, byHeads) {
  // with several heads, of the newest batches of the same heads, whatever cut between
  const kept = new Map();
  return values.map((value, n) => {
    const level = levels[n];
    if (starts[n] && !(byHeads && level !== null)) kept.delete(level);
    const recent = [...(kept.get(level) ?? []), value].slice(-count);
    kept.set(level, recent);
    const known = recent.filter((v) => v !== null);
    return known.length ? known.reduce((a, b) => a + b) / known.length : null;
  });
}

function span(values, share) {
  // never so narrow that noise alone fills the plot
  const known = values.filter((value) => value !== null && Number.isFinite(value));
  if (known.length === 0) return null;
  const low = Math.min(...known);
  const high = Math.max(...known);
  const least = share * 0.5 * (low + high);
  const pad = Math.max(0.08 * (high - low), 0.5 * (least - (high - low)));
  return [low - pad, high + pad];
}

function marks(onset, reach) {
  if (onset === null || onset < reach[0] || onset > reach[1]) return {};
  return {
    shapes: [{ type: "line", x0: onset, x1: onset, yref: "paper", y0: 0, y1: 1,
      line: { color: look.onset.colour, dash: look.onset.dash, width: 1.6 } }],
    annotations: [{ x: onset, y: 1, yref: "paper", yanchor: "bottom", showarrow: false,
      // words stay inside the plot at either end
      xanchor: onset < (reach[0] + reach[1]) / 2 ? "left" : "right", text: look.onset.words }],
  };
}

function figure(plot, traces, onset, reach, range, tickformat) {
  const axis = { gridcolor: palette.grid, linecolor: palette.axis, zeroline: false,
    showline: true, fixedrange: true };
  Plotly.react(plot, traces, {
    template: {},
    showlegend: false,
    hovermode: "x unified",
    dragmode: false,
    margin: { l: 54, r: 12, t: 22, b: 36 },
    ...marks(onset, reach),
    font: { family: "system-ui, sans-serif", size: 13, color: palette.ink },
    paper_bgcolor: palette.paper,
    plot_bgcolor: palette.paper,
    xaxis: { type: "date", range: reach, hoverformat: "%Y-%m-%d %H:%M:%S",
      nticks: Math.max(2, Math.floor(plot.clientWidth / 110)), tickangle: 0,
      tickformatstops: look.tickFormats, ...axis },
    yaxis: { range, autorange: range === null, tickformat, nticks: 6, ...axis },
  }, { displayModeBar: false, responsive: true });
}

function draw(machine) {
  const { batches, card, node, every, batchWords } = machine;
  if (batches === null || batches.end_ns.length === 0) return;
  const window = drawn(batches, card.by_heads);
  const { places } = window;
  const values = (name, unit) => places.map((i) =>
    batches[name][i] === null ? null : batches[name][i] / unit);
  const x = places.map((i) => batches.local_ms[i]);
  const reach = [x[0], Math.max(x.at(-1), x[0] + 60e3)];
  const count = Math.max(1, Math.round(look.recent / every));
  const mean = (of) => meanOf(of, window, count, card.by_heads);

  const { bore: length, pressure } = card.units;
  const bore = values("bore", length.factor);
  const level = (value, name, style) => ({ x: [x[0], x.at(-1)], y: [value, value], name,
    mode: "lines", line: { width: 2, ...style } });
  // with several heads, each batch has the level of those that were open then
  const learned = (ratio) => places.map((i, n) => bore[n] === null || batches.log_ratio[i] === null
    ? null : ratio * bore[n] * Math.exp(-0.5 * batches.log_ratio[i]));
  const flat = (value, name, style) => card.by_heads
    ? line(batches, window, learned(value / card.nominal_bore), name, style)
    : level(value / length.factor, name, style);
  const stated = card.by_heads ? [] : [card.nominal_bore, card.limit_bore].map((value) =>
    value / length.factor);
  figure(node.querySelector("[data-plot=bore]"), [
    { x, y: bore, name: batchWords, mode: "markers",
      marker: { size: 4, color: palette.sky, opacity: 0.7 }, hoverinfo: "skip" },
    line(batches, window, mean(bore), "mean", { color: palette.blue }),
    flat(card.nominal_bore, card.level_title, { color: palette.ink, dash: "dash" }),
    flat(card.limit_bore, "limit", { color: palette.vermilion, dash: "dashdot" }),
  ], card.onset_ms, reach, span([...bore, ...stated], 0.06), `.${length.digits}f`);

  const [seen, expected] = card.floats
    ? [mean(values("pressure", pressure.factor)), mean(values("pressure_expected", pressure.factor))]
    : [mean(values("rate", PER_MINUTE)), mean(values("rate_expected", PER_MINUTE))];
  figure(node.querySelector("[data-plot=load]"), [
    line(batches, window, seen, "seen", { color: palette.blue }),
    line(batches, window, expected, "expected", { color: palette.vermilion, dash: "dash" }),
  ], card.onset_ms, reach, span([...seen, ...expected], 0.12), "");
}

async function load(machine) {
  if (machine.asked) return;
  machine.asked = true;
  const wanted = hours;
  try {
    const query = new URLSearchParams({ machine: machine.card.name, hours: wanted });
    const answer = await fetch(`history?${query}`);
    if (!answer.ok) return;
    const { batches, every, batch_words } = await answer.json();
    if (wanted !== hours) return;
    machine.batches = batches;
    machine.every = every;
    machine.batchWords = batch_words;
    draw(machine);
  } catch {
    // the banner says that the service is gone; once it is back, its next event asks again
  } finally {
    machine.asked = false;
  }
}

for (const button of document.querySelectorAll("[data-hours]")) {
  button.addEventListener("click", () => {
    hours = Number(button.dataset.hours);
    for (const other of document.querySelectorAll("[data-hours]")) {
      other.setAttribute("aria-pressed", String(other === button));
    }
    for (const machine of machines.values()) {
      machine.batches = null;
      load(machine);
    }
  });
}

// -- acknowledging and shelving

async function post(event) {
  event.preventDefault();
  const form = event.currentTarget;
  const { submitter } = event;
  const machine = [...machines.values()].find(({ node }) => node.contains(form));
  const said = form.querySelector("output");
  const body = new URLSearchParams({ machine: machine.card.name, by: form.elements.by?.value ?? "" });
  if (form.elements.seconds) {
    const until = new Date(serviceNow + 1000 * form.elements.seconds.value);
    body.set("until", until.toISOString());
  }
  const failed = (why) => put(said, `Not done (${submitter.textContent}): ${why}`);
  try {
    const answer = await fetch(submitter.getAttribute("formaction") ?? form.action, { method: "POST", body });
    if (!answer.ok) {
      failed(await answer.text());
      return;
    }
  } catch {
    failed("connection to borewarden lost");
    return;
  }
  put(said, "");
  form.reset();
  const details = form.closest("details");
  if (details) {
    details.open = false;
    details.querySelector("summary").focus(); // the keyboard stays where it was
  }
}

// -- the stream

function lost(isLost) {
  document.body.classList.toggle("is-lost", isLost);
  const banner = byId("lost");
  if (!isLost) {
    notice(banner, "");
  } else if (banner.hidden) {
    const time = new Date(lastEvent).toLocaleTimeString("en-GB");
    notice(banner, `Connection to borewarden lost. Everything below dates from ${time}. `
      + "Trying again.");
    document.title = "Connection lost – borewarden";
  }
}

function take(event) {
  lastEvent = Date.now();
  if (document.body.classList.contains("is-lost")) {
    for (const machine of machines.values()) machine.batches = null; // some may be missing
  }
  lost(false);
  const { cards, problem, aside, now_ms } = JSON.parse(event.data);
  serviceNow = now_ms;
  const names = cards.map((card) => card.name);
  if (JSON.stringify(names) !== JSON.stringify([...machines.keys()])) build(cards);
  for (const card of cards) {
    const machine = machines.get(card.name);
    const onsetMoved = machine.card.onset_ms !== card.onset_ms;
    show(machine, card);
    if (machine.batches === null) load(machine);
    else if (add(machine, card.batches) || onsetMoved) draw(machine);
  }
  summarise(cards);
  notice(byId("problem"), problem);
  notice(byId("aside"), aside);
}

let stream;

function listen() {
  stream = new EventSource("events");
  stream.addEventListener("cards", take);
  stream.addEventListener("error", () => {
    lost(true);
    if (stream.readyState === EventSource.CLOSED) askIfIn();
  });
}

async function askIfIn() {
  try {
    if ((await fetch("session")).status === 401) location.assign("login");
  } catch {
    // the service is gone; the banner says so
  }
}

listen();
setInterval(() => {
  if (Date.now() - lastEvent > SILENCE) lost(true); // a broken line does not always say so
  if (stream.readyState === EventSource.CLOSED) listen(); // the browser gave up: start again
}, 2000);
