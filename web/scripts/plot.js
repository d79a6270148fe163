// One chart on the shared time axis: bands from least to most, the mean as a line, gaps grey, alerts and
// journal entries marked. uPlot draws; what is shown is decided in lines.
import uPlot from "uplot";
import { refill } from "./dom.js";
import { clockTime, shortDayOf } from "./words.js";

export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
export const rem = () => parseFloat(getComputedStyle(document.documentElement).fontSize);

function timeLabels(_, ticks, __, ___, step) {
  return ticks.map((seconds, i) => {
    const date = new Date(seconds * 1000);
    if (step >= 86400) return shortDayOf(date);
    const newDay = i === 0 || shortDayOf(new Date(ticks[i - 1] * 1000)) !== shortDayOf(date);
    return newDay ? `${clockTime(date)}\n${shortDayOf(date)}` : clockTime(date);
  });
}

export function axes(unit, withTime = true) {
  const u = rem();
  const look = { stroke: colour("quiet"), font: `${Math.round(0.72 * u)}px DejaVu Sans, Verdana, sans-serif`, grid: { stroke: colour("rule"), width: 0.5 }, ticks: { stroke: colour("rule"), width: 1 } };
  return [
    { ...look, space: 5 * u, size: withTime ? 2.6 * u : 8, values: withTime ? timeLabels : (_, ticks) => ticks.map(() => "") },
    { ...look, space: 1.7 * u, size: 4.1 * u, values: (_, ticks) => ticks.map((tick) => `${+tick.toFixed(6)} ${unit}`.replace("-", "−")) },
  ];
}

/** Columns of one series as uPlot takes them; `change` turns values into the reader's unit. */
export function table(series, change) {
  const column = (values) => values.map((v) => (v === null ? null : change(v)));
  return [series.time_seconds, column(series.maximum), column(series.mean), column(series.minimum)];
}

function shadeGaps(u, gaps) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.fillStyle = colour("rule");
  ctx.globalAlpha = 0.35;
  for (const [from, to] of gaps) {
    const left = Math.max(bbox.left, u.valToPos(from, "x", true));
    const right = Math.min(bbox.left + bbox.width, u.valToPos(to, "x", true));
    if (right > left) ctx.fillRect(left, bbox.top, right - left, bbox.height);
  }
  ctx.restore();
}

function drawMarks(u, marks, level) {
  const { ctx, bbox } = u;
  const ratio = window.devicePixelRatio || 1;
  const inside = (x) => x >= bbox.left && x <= bbox.left + bbox.width;
  ctx.save();
  if (level !== null && level >= u.scales.y.min && level <= u.scales.y.max) {
    const y = u.valToPos(level, "y", true);
    ctx.strokeStyle = colour("ink");
    ctx.lineWidth = 1.5 * ratio;
    ctx.setLineDash([7 * ratio, 4 * ratio]);
    ctx.beginPath();
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
    ctx.stroke();
    ctx.setLineDash([]);
  }
  for (const alert of marks.alerts) {
    const x = u.valToPos(Date.parse(alert.time) / 1000, "x", true);
    if (!inside(x)) continue;
    ctx.strokeStyle = colour("ember");
    ctx.lineWidth = (alert.category === "caution" ? 1.5 : 2.5) * ratio;
    ctx.beginPath();
    ctx.moveTo(x, bbox.top);
    ctx.lineTo(x, bbox.top + bbox.height);
    ctx.stroke();
  }
  ctx.fillStyle = colour("ink");
  for (const entry of marks.entries) {
    const x = u.valToPos(Date.parse(entry.time) / 1000, "x", true);
    if (!inside(x)) continue;
    const size = 6 * ratio;
    ctx.beginPath();
    ctx.moveTo(x - size, bbox.top + bbox.height);
    ctx.lineTo(x + size, bbox.top + bbox.height);
    ctx.lineTo(x, bbox.top + bbox.height - 1.6 * size);
    ctx.fill();
  }
  ctx.restore();
}

/**
 * curves: [{series, change, stroke, fill, dash, width, banded}]; marks: {alerts, entries, gaps};
 * level: a value with a dashed line, or null; range(): the stretch of time shown [s].
 */
export function plot(place, { curves, unit, height, marks, level, range, withTime, onCursor, floor }) {
  const joined = uPlot.join(curves.map((c) => table(c.series, c.change)));
  const series = [{}];
  const bands = [];
  for (const c of curves) {
    const edge = { stroke: c.banded ? c.fill : "transparent", width: c.banded ? 0.5 : 0, points: { show: false } };
    const n = series.length;
    series.push(edge, { stroke: c.stroke, width: c.width, dash: c.dash, points: { show: false } }, edge);
    if (c.banded) bands.push({ series: [n, n + 2], fill: c.fill });
  }
  const wide = (_, low, high) => {
    if (low === null || low === undefined) return [0, 1];
    const least = Math.max((floor || 0), 0.02 * Math.max(Math.abs(low), Math.abs(high)));
    const half = Math.max(high - low, least) * 0.58;
    return [(low + high) / 2 - half, (low + high) / 2 + half];
  };
  refill(place);
  return new uPlot({
    width: Math.max(200, place.clientWidth), height, series, bands, axes: axes(unit, withTime), legend: { show: false }, pxAlign: 1,
    cursor: { drag: { x: false, y: false, setScale: false }, points: { show: false }, y: false, sync: { key: "time" } },
    scales: { x: { time: true, range: () => range() }, y: { range: wide } },
    hooks: { drawClear: [(u) => shadeGaps(u, marks().gaps)], draw: [(u) => drawMarks(u, marks(), level)], setCursor: [(u) => onCursor(u)] },
  }, joined, place);
}
