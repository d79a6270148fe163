// The lines of one joint, one under the other on one time axis.
import { onLookChange } from "./choices.js";
import { byId, make, refill, say } from "./dom.js";
import { HEARD } from "./live.js";
import { colour, plot, rem } from "./plot.js";
import { ask } from "./talk.js";
import { t, word } from "./texts.js";
import { makeView, startGestures } from "./view.js";
import { amps, difference, differenceInUnit, differenceMark, fixed, inUnit, percent, temperature, unitMark, when } from "./words.js";

const POINTS = 600;
const SETTLE_MS = 220; // after the last movement, before more is asked for
let data = null;
let plots = [];
let view = null;
let asking = 0;
let squared = false;

const marks = () => ({ alerts: data.alerts, entries: data.entries, gaps: data.gaps });
const same = (v) => v;
const known = (series) => series.mean.some((v) => v !== null);

function charts() {
  const line = { stroke: colour("ink"), fill: colour("band"), width: 1.75, banded: true };
  return [
    { title: t("chart.temperature", { unit: unitMark() }), unit: unitMark(), high: 13, level: inUnit(data.limit_celsius), floor: 4,
      curves: [{ ...line, stroke: colour("ember"), series: data.celsius, change: inUnit }, { ...line, stroke: colour("quiet"), series: data.reference, change: inUnit, dash: [5, 4], banded: false }] },
    { title: t("chart.rise", { unit: differenceMark() }), unit: differenceMark(), high: 9, level: null, floor: 2, curves: [{ ...line, series: data.rise, change: differenceInUnit }] },
    { title: t(squared ? "chart.current_squared" : "chart.current"), unit: squared ? "A²" : "A", high: 9, level: null, floor: 2, curves: [{ ...line, series: squared ? squares(data.amps) : data.amps, change: same }], button: true },
    { title: t("chart.ratio"), unit: "%", high: 10, level: 0, floor: 10, curves: [{ ...line, series: data.ratio, change: (v) => (v - 1) * 100 }], missing: t("chart.too_little") },
    { title: t("chart.resistance"), unit: "µΩ", high: 9, level: null, floor: 10, curves: [{ ...line, series: data.ohms, change: (v) => v * 1e6 }], missing: t("chart.no_ohms") },
  ];
}

// the square of a band that spans zero begins at zero
function squares(series) {
  const high = series.minimum.map((low, i) => (low === null ? null : Math.max(low * low, series.maximum[i] ** 2)));
  const low = series.minimum.map((v, i) => (v === null ? null : v * series.maximum[i] < 0 ? 0 : Math.min(v * v, series.maximum[i] ** 2)));
  return { time_seconds: series.time_seconds, minimum: low, mean: series.mean.map((v) => (v === null ? null : v * v)), maximum: high };
}

function paint() {
  if (!data) return;
  plots.forEach((p) => p.destroy());
  plots = [];
  const shown = charts();
  const places = shown.map((c) => {
    const place = make("div", { class: "chart" });
    const button = c.button ? make("button", { type: "button", class: "small", "aria-pressed": String(squared), click: () => { squared = !squared; paint(); } }, t("chart.squared")) : null;
    const missing = known(c.curves[0].series) ? null : make("p", { class: "quiet" }, c.missing || t("chart.nothing"));
    return { c, place, missing, part: make("figure", {}, make("figcaption", {}, c.title, button), missing || place) };
  });
  refill(byId("chart-stack"), ...places.map((p) => p.part));
  const drawn = places.filter((p) => !p.missing);
  drawn.forEach(({ c, place }, i) => {
    const last = i === drawn.length - 1;
    plots.push(plot(place, { ...c, height: (c.high + (last ? 2 : 0)) * rem(), marks, range: () => [view.from, view.to], withTime: last, onCursor: readOut }));
  });
}

function nearest(series, seconds) {
  const reach = Math.max(120, (view.to - view.from) / 60);
  let best = null;
  series.time_seconds.forEach((time, i) => {
    const off = Math.abs(time - seconds);
    if (series.mean[i] !== null && off < reach && (best === null || off < Math.abs(series.time_seconds[best] - seconds))) best = i;
  });
  return best;
}

function readOut(u) {
  if (u.cursor.left === null || u.cursor.left === undefined || u.cursor.left < 0) return;
  const seconds = u.posToVal(u.cursor.left, "x");
  const at = (series, text) => {
    const i = nearest(series, seconds);
    return i === null ? null : text(series.mean[i], i, series);
  };
  const peak = (v, i, s) => (s.maximum[i] - s.minimum[i] > 0.5 ? `${temperature(v)} (${temperature(s.minimum[i])} – ${temperature(s.maximum[i])})` : temperature(v));
  const parts = [when(new Date(seconds * 1000)), at(data.celsius, peak) ?? t("chart.no_reading"), at(data.rise, (v) => `${t("joint.rise")} ${difference(v)}`),
    at(data.amps, amps), at(data.ratio, (v, i, s) => percent(v, s.maximum[i] === null ? null : (s.maximum[i] - v) / 2)), at(data.ohms, (v) => `${fixed(v * 1e6, 0)} µΩ`)];
  const close = (view.to - view.from) / 50;
  for (const alert of data.alerts) if (Math.abs(Date.parse(alert.time) / 1000 - seconds) < close) parts.push(`${t(`alert.${alert.category}`)}: ${word("condition", alert.condition)}`);
  for (const entry of data.entries) if (Math.abs(Date.parse(entry.time) / 1000 - seconds) < close) parts.push(`${t("journal.title")}: ${entry.note || t(`journal.kind.${entry.kind}`)}`);
  say(byId("chart-note"), parts.filter(Boolean).join(" · "));
}

async function load(joint) {
  const mine = ++asking;
  const length = view.to - view.from;
  const at = (seconds) => new Date(seconds * 1000).toISOString();
  try {
    // a little beyond both ends, so that a small movement shows no hole
    const got = await ask(`/api/joints/${encodeURIComponent(joint)}/lines?from=${at(view.from - length * 0.25)}&to=${at(view.to + length * 0.25)}&points=${POINTS}`);
    if (mine !== asking) return; // moved on meanwhile
    data = got;
    paint();
    byId("chart-stack").dataset.points = String(data.celsius.time_seconds.length);
  } catch {
    if (mine === asking) say(byId("chart-note"), t("chart.cannot"));
  }
}

export function startLines(joint, spanTimes) {
  const span = { from: Date.parse(spanTimes[0]) / 1000, to: Date.parse(spanTimes[1]) / 1000 };
  let timer = null;
  let frame = null;
  view = makeView(span, () => {
    Object.assign(byId("chart-stack").dataset, { from: view.from.toFixed(0), to: view.to.toFixed(0) });
    // what is there moves at once; finer figures follow when the finger rests
    frame = frame || requestAnimationFrame(() => {
      frame = null;
      plots.forEach((p) => p.setScale("x", { min: view.from, max: view.to }));
    });
    clearTimeout(timer);
    timer = setTimeout(() => load(joint), SETTLE_MS);
    press();
  });
  const ranges = [...document.querySelectorAll("#ranges [data-hours]")];
  const press = () => ranges.forEach((b) => b.setAttribute("aria-pressed", String(view.follow && Math.abs(Number(b.dataset.hours) * 3600 - (view.to - view.from)) < 1)));
  ranges.forEach((b) => b.addEventListener("click", () => (Number(b.dataset.hours) ? view.last(Number(b.dataset.hours) * 3600) : view.all())));
  document.querySelectorAll("[data-move]").forEach((b) => b.addEventListener("click", () => view.move(Number(b.dataset.move))));
  document.querySelectorAll("[data-zoom]").forEach((b) => b.addEventListener("click", () => view.zoom(Number(b.dataset.zoom))));
  document.querySelector("[data-newest]").addEventListener("click", () => view.newest());
  const over = () => byId("chart-stack").querySelector(".u-over")?.getBoundingClientRect() || { left: 0, width: 1 };
  startGestures(byId("chart-stack"), view, (x) => (x - over().left) / over().width, () => over().width);
  onLookChange(paint);
  let followed = performance.now();
  document.addEventListener(HEARD, (event) => {
    span.to = Math.max(span.to, Date.parse(event.detail.time) / 1000 - (event.detail.age_seconds || 0));
    if (!view.follow || performance.now() - followed < 15000) return;
    followed = performance.now();
    view.newest();
  });
  view.last(Math.min(6 * 3600, Math.max(3600, span.to - span.from)));
}
