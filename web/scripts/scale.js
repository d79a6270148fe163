// One short scale for a joint: surroundings (tick), where it is (shape), where it may settle (band),
// its limit (wall). The same everywhere on the page, so it is learned once.
import { draw } from "./dom.js";
import { fromUnit, inUnit } from "./words.js";

const EDGE = 0.03; // kept free at both ends, so that no mark is cut

export function placer(axis, x, width) {
  const span = axis.high_celsius - axis.low_celsius;
  return (celsius) => {
    const part = Math.min(1, Math.max(0, (celsius - axis.low_celsius) / span));
    return Math.round((x + (EDGE + part * (1 - 2 * EDGE)) * width) * 10) / 10;
  };
}

export function tickTemperatures(axis) {
  const low = inUnit(axis.low_celsius);
  const high = inUnit(axis.high_celsius);
  const step = [10, 20, 50, 100].find((s) => (high - low) / s <= 6) || 100;
  const ticks = [];
  for (let tick = Math.ceil(low / step) * step; tick <= high; tick += step) ticks.push([tick, fromUnit(tick)]);
  return ticks;
}

const line = (kind, x1, y1, x2, y2) => draw("line", { class: kind, x1, y1, x2, y2 });

export function markAt(kind, x, y, size = 6) {
  if (kind === "triangle") {
    const s = size * 1.4;
    return draw("polygon", { class: "mark", points: `${x},${y - s} ${x + s},${y + s * 0.85} ${x - s},${y + s * 0.85}` });
  }
  if (kind === "dashed") return draw("rect", { class: "mark", x: x - size, y: y - size, width: 2 * size, height: 2 * size });
  return draw("circle", { class: "mark", cx: x, cy: y, r: size });
}

/** Drawn about the height `y`; `half` is half its height; `grid`: faint lines at round temperatures. */
export function scale(joint, axis, x, y, width, half, grid = false) {
  const at = placer(axis, x, width);
  const limit = at(joint.limit_celsius);
  const parts = grid ? tickTemperatures(axis).map(([, c]) => line("grid", at(c), y - half, at(c), y + half)) : [];
  const start = joint.reference_celsius ?? axis.low_celsius;
  parts.push(line("rule", at(start), y, limit, y));
  if (joint.settles_at_celsius !== null) {
    const spread = 2 * (joint.settles_at_sd_kelvin || 0);
    const low = at(joint.settles_at_celsius - spread);
    const high = Math.max(low + 2, at(joint.settles_at_celsius + spread));
    parts.push(draw("rect", { class: "band", x: low, y: y - half * 0.6, width: high - low, height: half * 1.2 }));
    parts.push(line("middle", at(joint.settles_at_celsius), y - half * 0.8, at(joint.settles_at_celsius), y + half * 0.8));
  }
  if (joint.reference_celsius !== null) {
    parts.push(line("edge", at(joint.reference_celsius), y - half * 0.5, at(joint.reference_celsius), y + half * 0.5));
    if (joint.probe_celsius !== null) parts.push(line("here", at(joint.reference_celsius), y, at(joint.probe_celsius), y));
  }
  parts.push(line("end", limit, y - half, limit, y + half));
  if (joint.probe_celsius !== null) parts.push(markAt(joint.mark, at(joint.probe_celsius), y, half * 0.48));
  return draw("g", { class: "scale" }, ...parts);
}
