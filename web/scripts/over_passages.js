// A joint from passage to passage: its rise at 100 A with two deviations, the trend, and where that leads.
import { draw, make, refill } from "./dom.js";
import { rem } from "./plot.js";
import { t } from "./texts.js";
import { difference, differenceInUnit, differenceMark, fixed, shortDayOf, temperature, when } from "./words.js";

const AT_100_AMPS = 1e4;
const DAY = 86400e3;

function trend(creep, points) {
  if (!creep || creep.rise_coefficient === null || creep.gain_ratio_per_100_days === null) return null;
  const base = creep.baseline_coefficient ?? (points[0].rise_coefficient || 0);
  const slope = (creep.gain_ratio_per_100_days * base * AT_100_AMPS) / 100; // K a day
  const last = Date.parse(creep.last_time);
  return (time) => creep.rise_coefficient * AT_100_AMPS + (slope * (time - last)) / DAY;
}

export function showOverPassages(place, { points, creep }) {
  const known = points.filter((p) => p.rise_coefficient !== null).map((p) => ({
    time: Date.parse(p.time), kelvin: p.rise_coefficient * AT_100_AMPS, spread: 2 * AT_100_AMPS * (p.rise_coefficient_repeat_sd || 0), id: p.passage_id, hottest: p.max_celsius,
  }));
  if (!known.length) return refill(place, make("p", { class: "quiet" }, t("joint.no_passage")));
  const u = rem();
  const width = Math.max(240, place.clientWidth);
  const height = 11 * u;
  const [left, right, top, bottom] = [3.6 * u, 0.8 * u, 0.8 * u, 1.7 * u];
  const line = trend(creep, points);
  const first = known[0].time;
  const last = known[known.length - 1].time;
  const reaches = creep?.reaches_time ? Date.parse(creep.reaches_time) : null;
  // the forecast may lie far off: shown as far ahead as the record goes back
  const end = reaches ? Math.min(reaches, last + Math.max(last - first, 30 * DAY)) : last;
  const pad = Math.max(DAY / 4, (end - first) * 0.04);
  const values = known.flatMap((p) => [p.kelvin - p.spread, p.kelvin + p.spread]).concat(line ? [line(first), line(end)] : []);
  const low = Math.min(0, ...values);
  const high = Math.max(...values) * 1.08;
  const x = (time) => left + ((time - first + pad) / (end - first + 2 * pad)) * (width - left - right);
  const y = (kelvin) => top + ((high - kelvin) / (high - low || 1)) * (height - top - bottom);
  const parts = [];
  const step = [0.5, 1, 2, 5, 10, 20, 50, 100, 200].find((s) => differenceInUnit(high - low) / s <= 5) || 500;
  for (let tick = 0; tick <= differenceInUnit(high); tick += step) {
    const at = y(tick / differenceInUnit(1));
    parts.push(draw("line", { class: "grid", x1: left, x2: width - right, y1: at, y2: at }));
    parts.push(draw("text", { class: "tick", x: left - 0.4 * u, y: at + 0.25 * u, "text-anchor": "end", "font-size": 0.72 * u }, `${fixed(tick, step < 1 ? 1 : 0)} ${differenceMark()}`));
  }
  if (line) {
    parts.push(draw("line", { class: "trend", x1: x(first), y1: y(line(first)), x2: x(last), y2: y(line(last)) }));
    if (end > last) parts.push(draw("line", { class: "trend ahead", x1: x(last), y1: y(line(last)), x2: x(end), y2: y(line(end)) }));
  }
  for (const p of known) {
    const told = `${when(new Date(p.time))}: ${difference(p.kelvin)} ± ${difference(p.spread)}${p.hottest === null ? "" : `, ${t("passage.max").toLowerCase()} ${temperature(p.hottest)}`}`;
    parts.push(draw("a", { href: `/passages/${p.id}`, "aria-label": told }, draw("title", {}, told),
      draw("line", { class: "spread", x1: x(p.time), x2: x(p.time), y1: y(p.kelvin - p.spread), y2: y(p.kelvin + p.spread) }),
      draw("circle", { class: "dot", cx: x(p.time), cy: y(p.kelvin), r: 0.3 * u }), draw("circle", { class: "touch", cx: x(p.time), cy: y(p.kelvin), r: 0.9 * u })));
  }
  parts.push(draw("text", { class: "tick", x: x(first), y: height - 0.4 * u, "font-size": 0.72 * u }, shortDayOf(new Date(first))));
  if (end > first) parts.push(draw("text", { class: "tick", x: x(end), y: height - 0.4 * u, "text-anchor": "end", "font-size": 0.72 * u }, shortDayOf(new Date(end))));
  refill(place, draw("svg", { class: "passages-chart", viewBox: `0 0 ${width} ${height}`, width, height, role: "group", "aria-label": t("joint.over_passages") }, ...parts),
    make("p", { class: "quiet" }, t("joint.forecast_note")));
}
