// All joints of a passage and its currents; peaks kept, gaps left open, one joint brought out.
import uPlot from "uplot";
import { onLookChange } from "./choices.js";
import { byId, draw, make, refill, say } from "./dom.js";
import { axes, colour, rem } from "./plot.js";
import { ask } from "./talk.js";
import { t } from "./texts.js";
import { amps, inUnit, temperature, unitMark, when } from "./words.js";

const DASHES = [[], [8, 4], [2, 3], [10, 3, 2, 3], [5, 2], [1, 4]];
let plots = [];
let data = null;

function table(series, change) {
  const column = (values) => values.map((v) => (v === null ? null : change(v)));
  return [series.time_seconds, column(series.maximum), column(series.minimum)];
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
  refill(place);
  return new uPlot({
    width: Math.max(200, place.clientWidth), height, series, bands, axes: axes(unit), legend: { show: false },
    cursor: { drag: { x: false, y: false }, points: { show: false }, sync: { key: "passage" } },
    scales: { x: { time: true, range: () => range }, y: { range: (_, low, high) => (low === null ? [0, 1] : uPlot.rangeNum(low, high, 0.1, true)) } },
    hooks: { setCursor: [(u) => readOut(u)] },
  }, joined, place);
}

function nearest(series, seconds) {
  let best = null;
  series.time_seconds.forEach((time, i) => {
    if (series.mean[i] !== null && Math.abs(time - seconds) < 240 && (best === null || Math.abs(time - seconds) < Math.abs(series.time_seconds[best] - seconds))) best = i;
  });
  return best;
}

const chosen = () => byId("bring-out").value;

function readOut(u) {
  if (u.cursor.left === null || u.cursor.left === undefined || u.cursor.left < 0) return;
  const seconds = u.posToVal(u.cursor.left, "x");
  const parts = [when(new Date(seconds * 1000))];
  const joint = data.joints.find((j) => j.joint === chosen());
  const i = joint ? nearest(joint.celsius, seconds) : null;
  if (joint) parts.push(`${joint.name} ${i === null ? t("chart.no_reading") : temperature(joint.celsius.maximum[i])}`);
  for (const current of data.currents) {
    const k = nearest(current.amps, seconds);
    parts.push(`${current.name} ${k === null ? t("chart.no_reading") : amps(current.amps.mean[k])}`);
  }
  say(byId("chart-note"), parts.join(" · "));
}

function paint() {
  if (!data) return;
  plots.forEach((p) => p.destroy());
  plots = [];
  const u = rem();
  const range = [Date.parse(data.from) / 1000, Date.parse(data.to) / 1000];
  const name = data.joints.find((j) => j.joint === chosen())?.name;
  say(byId("chart-note"), name ? t("chart.bring_out", { name }) : "");
  // the chosen one is drawn last, over the others
  const joints = [...data.joints].sort((a, b) => (a.joint === chosen()) - (b.joint === chosen()));
  const isChosen = (i) => joints[i].joint === chosen();
  plots.push(plot(byId("chart-celsius"), 15 * u, unitMark(), joints.map((j) => table(j.celsius, inUnit)), (i) => ({
    stroke: isChosen(i) ? colour("ember") : colour("quiet"), width: isChosen(i) ? 2.5 : 1, fill: isChosen(i) ? colour("band") : colour("rule"),
  }), range));
  const currents = data.currents;
  byId("chart-amps").hidden = currents.length === 0;
  if (currents.length) {
    plots.push(plot(byId("chart-amps"), 11 * u, "A", currents.map((c) => table(c.amps, (v) => v)), (i) => ({
      stroke: colour("ink"), width: 1.5, dash: DASHES[i % DASHES.length], fill: colour("rule"),
    }), range));
  }
  refill(byId("chart-key"), ...currents.map((c, i) => make("li", {},
    draw("svg", { viewBox: "0 0 30 8", "aria-hidden": "true" }, draw("line", { x1: 0, x2: 30, y1: 4, y2: 4, "stroke-dasharray": DASHES[i % DASHES.length].join(" ") || null })), c.name)));
}

export async function startPassageChart() {
  const part = byId("passage-chart");
  try {
    data = await ask(`/api/chart?from=${encodeURIComponent(part.dataset.from)}&to=${encodeURIComponent(part.dataset.to)}`);
  } catch {
    return say(byId("chart-note"), t("chart.cannot"));
  }
  if (!data.joints.some((j) => j.celsius.mean.some((v) => v !== null))) return say(byId("chart-note"), t("chart.nothing"));
  paint();
  byId("bring-out").addEventListener("change", paint);
  onLookChange(paint);
}
