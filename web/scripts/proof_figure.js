// A forecast as it narrows: minutes of load across, the rise where the joint would settle upwards; the band
// holds it 95 times in 100, the wall is what is allowed, the dotted line its own cable.
import { draw, refill } from "./dom.js";
import { t } from "./texts.js";
import { difference, differenceInUnit, differenceMark, fixed } from "./words.js";

const LEAST_MINUTES = 10;

export function proofFigure(place, joint) {
  const known = joint.course;
  if (!known.length || joint.allowed_kelvin === null) return refill(place);
  const u = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const width = Math.max(240, place.clientWidth);
  const height = 13 * u;
  const [left, right, top, bottom] = [3.6 * u, 0.8 * u, 0.9 * u, 2.6 * u];
  const last = known[known.length - 1];
  const end = Math.max(LEAST_MINUTES, Math.ceil((last.minutes + 1) / 5) * 5);
  const allowed = joint.allowed_kelvin;
  // the first minutes know little: their upper ends would press all else flat
  const most = Math.max(allowed * 1.25, 1.2 * (last.high_kelvin ?? allowed * 2), 1.2 * last.kelvin);
  const high = Math.min(most, Math.max(allowed, last.kelvin) * 3);
  const x = (minutes) => left + (minutes / end) * (width - left - right);
  const y = (kelvin) => top + ((high - Math.min(high, kelvin)) / high) * (height - top - bottom);
  const parts = [];
  const step = [2, 5, 10, 20, 50, 100, 200].find((s) => differenceInUnit(high) / s <= 5) || 500;
  for (let tick = 0; tick <= differenceInUnit(high); tick += step) {
    const at = y(tick / differenceInUnit(1));
    parts.push(draw("line", { class: "grid", x1: left, x2: width - right, y1: at, y2: at }));
    parts.push(draw("text", { class: "tick", x: left - 0.4 * u, y: at + 0.25 * u, "text-anchor": "end", "font-size": 0.72 * u }, `${fixed(tick, 0)} ${differenceMark()}`));
  }
  for (let minutes = 0; minutes <= end; minutes += end > 20 ? 10 : 5) {
    parts.push(draw("text", { class: "tick", x: x(minutes), y: height - bottom + 1.1 * u, "text-anchor": minutes === end ? "end" : "middle", "font-size": 0.72 * u }, `${minutes} min`));
  }
  const upper = known.map((p) => `${x(p.minutes)},${y(p.high_kelvin ?? high)}`);
  const lower = known.map((p) => `${x(p.minutes)},${y(p.low_kelvin)}`).reverse();
  parts.push(draw("polygon", { class: "band", points: [...upper, ...lower].join(" ") }));
  parts.push(draw("polyline", { class: "middle", points: known.map((p) => `${x(p.minutes)},${y(p.kelvin)}`).join(" ") }));
  parts.push(draw("line", { class: "upright", x1: x(last.minutes), x2: x(last.minutes), y1: y(last.high_kelvin ?? high), y2: y(last.low_kelvin) }));
  parts.push(draw("circle", { class: "dot", cx: x(last.minutes), cy: y(last.kelvin), r: 0.32 * u }));
  parts.push(draw("line", { class: "wall", x1: left, x2: width - right, y1: y(allowed), y2: y(allowed) }));
  const words = [[y(allowed), t("proof.allowed_mark")]];
  if (joint.cable_kelvin !== null) {
    parts.push(draw("line", { class: "cable", x1: left, x2: width - right, y1: y(joint.cable_kelvin), y2: y(joint.cable_kelvin) }));
    words.push([y(joint.cable_kelvin), t("proof.cable_mark")]);
  }
  for (const [at, text] of words) parts.push(draw("text", { class: "mark-name", x: width - right, y: at - 0.3 * u, "text-anchor": "end", "font-size": 0.75 * u }, text));
  parts.push(draw("text", { class: "tick", x: left, y: height - 0.3 * u, "font-size": 0.72 * u }, t("proof.axis", { amps: fixed(joint.asked_amps, 0) })));
  const upperEnd = last.high_kelvin === null ? t("proof.no_end") : difference(last.high_kelvin, 0);
  const told = t("proof.figure", { minutes: last.minutes, kelvin: difference(last.kelvin, 0), low: difference(last.low_kelvin, 0), high: upperEnd, allowed: difference(allowed, 0) });
  refill(place, draw("svg", { class: "proof-chart", viewBox: `0 0 ${width} ${height}`, width, height, role: "img", "aria-label": told }, draw("title", {}, told), ...parts));
}
