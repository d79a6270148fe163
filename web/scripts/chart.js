// The last hours: every joint with its peaks kept, currents below, gaps left open.
import uPlot from "uplot";
import { byId, draw, make, refill, say } from "./dom.js";
import { amps, clockTime, inUnit, temperature, unitMark, when } from "./words.js";

const DASHES = [[], [8, 4], [2, 3], [10, 3, 2, 3], [5, 2], [1, 4]];
const REFRESH_SECONDS = 30;
let plots = [];
let data = null;
let fetched = 0;
let hours = 1;
let chosen = null;

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

function table(series, change) {
  const column = (values) => values.map((v) => (v === null ? null : change(v)));
  return [series.time_seconds, column(series.maximum), column(series.minimum)];
}

function axes(unit) {
  const look = { stroke: colour("quiet"), font: "11px DejaVu Sans, Verdana, sans-serif", grid: { stroke: colour("rule"), width: 0.5 }, ticks: { stroke: colour("rule"), width: 1 } };
  return [
    { ...look, space: 60, size: 26, values: (_, ticks) => ticks.map((t) => clockTime(new Date(t * 1000))) },
    { ...look, size: 58, values: (_, ticks) => ticks.map((t) => `${t} ${unit}`) },
  ];
}

function plot(place, height, unit, tables, style, range) {
  // join() marks what only lines series up as "undefined" and leaves our nulls, which are true gaps
  const joined = tables.length ? uPlot.join(tables) : [[]];
  const series = [{}];
  const bands = [];
  tables.forEach((_, i) => {
    const { stroke, width, dash, fill } = style(i);
    series.push({ stroke, width, dash, points: { show: false } }, { stroke, width: width / 2, dash, points: { show: false } });
    bands.push({ series: [2 * i + 1, 2 * i + 2], fill });
  });
  const options = {
    width: place.clientWidth || 320, height, series, bands, axes: axes(unit), legend: { show: false },
    cursor: { drag: { x: false, y: false }, points: { show: false }, sync: { key: "hours" } },
    scales: { x: { time: true, range: () => range }, y: { range: (_, low, high) => (low === null ? [0, 1] : uPlot.rangeNum(low, high, 0.1, true)) } },
    hooks: { setCursor: [(u) => readOut(u)] },
  };
  refill(place);
  return new uPlot(options, joined, place);
}

function nearest(series, seconds) {
  let best = null;
  series.time_seconds.forEach((t, i) => {
    if (series.mean[i] !== null && Math.abs(t - seconds) < 120 && (best === null || Math.abs(t - seconds) < Math.abs(series.time_seconds[best] - seconds))) best = i;
  });
  return best;
}

function readOut(u) {
  if (u.cursor.left < 0 || u.cursor.left === null || u.cursor.left === undefined) return note();
  const seconds = u.posToVal(u.cursor.left, "x");
  const parts = [when(new Date(seconds * 1000))];
  const joint = data.joints.find((j) => j.joint === chosen);
  const i = joint ? nearest(joint.celsius, seconds) : null;
  if (joint) parts.push(`${joint.name} ${i === null ? "no reading" : temperature(joint.celsius.maximum[i])}`);
  for (const current of data.currents) {
    const k = nearest(current.amps, seconds);
    parts.push(`${current.name} ${k === null ? "no reading" : amps(current.amps.mean[k])}`);
  }
  say(byId("chart-note"), parts.join(" · "));
}

function note() {
  const joint = data?.joints.find((j) => j.joint === chosen);
  if (joint) say(byId("chart-note"), `Thick: ${joint.name}. Thin: the others. Touch a joint in the list to bring it out.`);
}

function paint() {
  if (!data) return;
  byId("chart-part").hidden = data.joints.length === 0;
  plots.forEach((p) => p.destroy());
  plots = [];
  if (!data.joints.length) return;
  const range = [Date.parse(data.from) / 1000, Date.parse(data.to) / 1000];
  const old = Date.now() - Date.parse(data.to) > 3 * 3600e3;
  say(byId("chart-title"), old ? `The hours up to ${when(new Date(data.to))}` : "The last hours");
  // the chosen one is drawn last, over the others
  const joints = [...data.joints].sort((a, b) => (a.joint === chosen) - (b.joint === chosen));
  const isChosen = (i) => joints[i].joint === chosen;
  plots.push(plot(byId("chart-celsius"), 230, unitMark(), joints.map((j) => table(j.celsius, inUnit)), (i) => ({
    stroke: isChosen(i) ? colour("ember") : colour("quiet"), width: isChosen(i) ? 2.5 : 1, fill: isChosen(i) ? colour("band") : colour("rule"),
  }), range));
  const amperes = data.currents;
  byId("chart-amps").hidden = amperes.length === 0;
  if (amperes.length) {
    plots.push(plot(byId("chart-amps"), 130, "A", amperes.map((c) => table(c.amps, (v) => v)), (i) => ({
      stroke: colour("ink"), width: 1.5, dash: DASHES[i % DASHES.length], fill: colour("rule"),
    }), range));
  }
  refill(byId("chart-key"), ...amperes.map((c, i) => make("li", {},
    draw("svg", { viewBox: "0 0 30 8", "aria-hidden": "true" }, draw("line", { x1: 0, x2: 30, y1: 4, y2: 4, "stroke-dasharray": DASHES[i % DASHES.length].join(" ") || null })), c.name)));
  note();
}

async function load() {
  fetched = performance.now();
  try {
    const answer = await fetch(`/api/chart?hours=${hours}`, { cache: "no-store" });
    if (!answer.ok) return;
    data = await answer.json();
    paint();
  } catch {
    // no contact: the page says so already, and the old chart stands greyed
  }
}

export function chooseJoint(joint) {
  if (joint === chosen) return;
  chosen = joint;
  paint();
}
export const repaint = paint;
export function keepChart() {
  if (!fetched || performance.now() - fetched > REFRESH_SECONDS * 1000) load();
}
export function startChart() {
  const buttons = [...document.querySelectorAll("[data-hours]")];
  const press = () => buttons.forEach((b) => b.setAttribute("aria-pressed", String(Number(b.dataset.hours) === hours)));
  buttons.forEach((b) => b.addEventListener("click", () => { hours = Number(b.dataset.hours); press(); load(); }));
  press();
  let width = window.innerWidth;
  // phones call it a resize when their address bar hides
  window.addEventListener("resize", () => { if (window.innerWidth !== width) { width = window.innerWidth; paint(); } });
}
