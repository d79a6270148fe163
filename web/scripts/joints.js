// Each joint on one shared axis: surroundings, where it is, where it will settle, its limit.
import { byId, draw, make, refill } from "./dom.js";
import { against, bare, duration, fromUnit, inUnit, microOhms, temperature, unitMark } from "./words.js";

const STATE_WORDS = {
  hot: "over its limit", heading_hot: "heading over its limit", warming: "warming", rising_fast: "rising fast",
  intermittent: "making and breaking contact", probe_off: "its probe is off",
  creeping: "more each passage",
  silent: "no reading", steady: "steady", learning: "learning", no_load: "no load", limit_only: "by limit only", out_of_service: "out of service",
};
const EDGE = 3; // per cent kept free at both ends, so that no mark is cut

function placer(axis) {
  const span = axis.high_celsius - axis.low_celsius;
  return (celsius) => {
    const part = Math.min(1, Math.max(0, (celsius - axis.low_celsius) / span));
    return `${(EDGE + part * (100 - 2 * EDGE)).toFixed(2)}%`;
  };
}

function tickTemperatures(axis) {
  const low = inUnit(axis.low_celsius);
  const high = inUnit(axis.high_celsius);
  const step = [10, 20, 50, 100].find((s) => (high - low) / s <= 6) || 100;
  const ticks = [];
  for (let t = Math.ceil(low / step) * step; t <= high; t += step) ticks.push(t);
  return ticks;
}

function ticks(axis) {
  const at = placer(axis);
  const shown = tickTemperatures(axis);
  return draw("svg", { class: "scale ticks", "aria-hidden": "true" },
    ...shown.map((t, i) => draw("text", { x: at(fromUnit(t)), y: 12 }, i === shown.length - 1 ? `${t} ${unitMark()}` : String(t))));
}

const line = (kind, x1, y1, x2, y2) => draw("line", { class: kind, x1, y1, x2, y2 });

function markAt(x, kind) {
  // a nested drawing, so that the shape keeps its form while its place is a percentage
  const shape = {
    triangle: () => draw("polygon", { class: "mark", points: "0,-8 8.5,7 -8.5,7" }),
    dashed: () => draw("rect", { class: "mark", x: -6, y: -6, width: 12, height: 12 }),
    dot: () => draw("circle", { class: "mark", r: 6 }),
  }[kind]();
  return draw("svg", { x, y: 13, overflow: "visible" }, shape);
}

function scale(joint, axis) {
  const at = placer(axis);
  const limit = at(joint.limit_celsius);
  const parts = tickTemperatures(axis).map((t) => line("grid", at(fromUnit(t)), 0, at(fromUnit(t)), 26));
  const start = joint.reference_celsius ?? axis.low_celsius;
  parts.push(line("rule", at(start), 13, limit, 13));
  if (joint.settles_at_celsius !== null) {
    const spread = 2 * (joint.settles_at_sd_kelvin || 0);
    const low = at(joint.settles_at_celsius - spread);
    const width = Math.max(0.6, parseFloat(at(joint.settles_at_celsius + spread)) - parseFloat(low));
    parts.push(draw("rect", { class: "band", x: low, y: 6, width: `${width.toFixed(2)}%`, height: 14 }));
    parts.push(line("middle", at(joint.settles_at_celsius), 4, at(joint.settles_at_celsius), 22));
  }
  if (joint.reference_celsius !== null) {
    parts.push(line("edge", at(joint.reference_celsius), 8, at(joint.reference_celsius), 18));
    if (joint.probe_celsius !== null) parts.push(line("here", at(joint.reference_celsius), 13, at(joint.probe_celsius), 13));
  }
  parts.push(line("end", limit, 3, limit, 23));
  if (joint.probe_celsius !== null) parts.push(markAt(at(joint.probe_celsius), joint.mark));
  else parts.push(markAt(at(axis.low_celsius), "dashed"));
  return draw("svg", { class: "scale", "aria-hidden": "true" }, ...parts);
}

function numbers(joint, elapsed) {
  if (joint.probe_celsius === null) {
    return [joint.age_seconds === null ? "never read" : `no reading ${duration(joint.age_seconds + elapsed)}`];
  }
  const compared = joint.state === "no_load" ? null : against(joint.baseline_ratio, joint.baseline_ratio_sd);
  return [temperature(joint.probe_celsius), compared].filter(Boolean);
}

function about(celsius, sdKelvin) {
  const spread = 2 * (sdKelvin || 0);
  return `${temperature(celsius, 0)} (${bare(celsius - spread)} to ${bare(celsius + spread)})`;
}

function smallText(joint) {
  const words = [STATE_WORDS[joint.state] || joint.state];
  if (joint.settles_at_celsius !== null && joint.state !== "no_load") {
    words.push(`settles near ${about(joint.settles_at_celsius, joint.settles_at_sd_kelvin)} in this air`);
    if (joint.ends_at_celsius !== null) {
      words.push(`${about(joint.ends_at_celsius, joint.ends_at_sd_kelvin)} where the air is heading`);
    }
  }
  words.push(`limit ${temperature(joint.limit_celsius, 0)}`);
  if (joint.seconds_to_limit !== null) words.push(`there in ${duration(joint.seconds_to_limit)}`);
  if (joint.resistance_ohms !== null && joint.state !== "silent") {
    words.push(microOhms(joint.resistance_ohms, joint.resistance_sd_ohms));
  }
  return words.join(" · ");
}

function legend() {
  const item = (text, ...shapes) => make("span", {}, draw("svg", { viewBox: "0 0 22 14", class: "scale" }, ...shapes), text);
  return make("div", { class: "legend" },
    item("surroundings", line("edge", 11, 2, 11, 12)),
    item("now", draw("circle", { class: "mark", cx: 11, cy: 7, r: 5 })),
    item("where it may settle", draw("rect", { class: "band", x: 2, y: 1, width: 18, height: 12 })),
    item("limit", line("end", 11, 0, 11, 14)),
    make("span", {}, "% against its baseline"));
}

export function showJoints(now, elapsed, chosen, choose) {
  const place = byId("joints");
  byId("joints-part").hidden = now.joints.length === 0;
  if (!now.axis) return refill(place);
  const focused = document.activeElement?.dataset?.joint;
  const rows = now.joints.map((joint) =>
    make("button", { type: "button", class: `joint ${joint.mark}`, "data-joint": joint.joint,
      "aria-pressed": String(joint.joint === chosen), click: () => choose(joint.joint) },
      make("span", { class: "head" }, make("span", { class: "name" }, joint.name),
        make("span", { class: "number" }, ...numbers(joint, elapsed).map((text) => make("span", {}, text)))),
      scale(joint, now.axis),
      make("span", { class: "small" }, smallText(joint))));
  refill(place, ticks(now.axis), ...rows, legend());
  if (focused) rows.find((row) => row.dataset.joint === focused)?.focus({ preventScroll: true });
}
