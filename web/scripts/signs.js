// Signs of the parts of a circuit, drawn about a point: after the usual drawing signs (IEC 60617), simplified.
import { draw } from "./dom.js";

const box = (x, y, w, h, extra = {}) => draw("rect", { class: "sign", x: x - w / 2, y: y - h / 2, width: w, height: h, ...extra });
const line = (x1, y1, x2, y2, kind = "sign") => draw("line", { class: kind, x1, y1, x2, y2 });

const SIGNS = {
  // two plates, the long one is plus
  battery: (x, y, s) => [box(x, y, 2 * s, 1.4 * s), line(x - s * 0.55, y - s * 0.2, x + s * 0.55, y - s * 0.2, "stroke"), line(x - s * 0.28, y + s * 0.2, x + s * 0.28, y + s * 0.2, "stroke thick")],
  alternator: (x, y, s) => [draw("circle", { class: "sign", cx: x, cy: y, r: s * 0.92 }), draw("path", { class: "stroke", d: `M${x - s * 0.5} ${y}q${s * 0.25} ${-s * 0.7} ${s * 0.5} 0t${s * 0.5} 0` })],
  charger: (x, y, s) => [box(x, y, 1.7 * s, 1.7 * s), draw("path", { class: "stroke", d: `M${x - s * 0.5} ${y + s * 0.45}L${x + s * 0.5} ${y - s * 0.45}` }), line(x - s * 0.6, y - s * 0.45, x - s * 0.1, y - s * 0.45, "stroke"), line(x + s * 0.1, y + s * 0.45, x + s * 0.6, y + s * 0.45, "stroke")],
  inverter: (x, y, s) => [box(x, y, 1.7 * s, 1.7 * s), line(x + s * 0.85, y - s * 0.85, x - s * 0.85, y + s * 0.85, "stroke"), line(x - s * 0.6, y - s * 0.4, x - s * 0.1, y - s * 0.4, "stroke"), draw("path", { class: "stroke", d: `M${x + s * 0.05} ${y + s * 0.45}q${s * 0.14} ${-s * 0.45} ${s * 0.28} 0t${s * 0.28} 0` })],
  consumer: (x, y, s) => [box(x, y, 1.8 * s, 1.2 * s)],
  fuse: (x, y, s) => [box(x, y, 0.8 * s, 1.7 * s), line(x, y - s * 0.85, x, y + s * 0.85, "stroke")],
  // closed, as nothing here tells whether it is
  isolator: (x, y, s) => [box(x, y, 1.3 * s, 1.7 * s, { class: "sign blank" }), draw("circle", { class: "sign", cx: x, cy: y - s * 0.7, r: s * 0.18 }), draw("circle", { class: "sign", cx: x, cy: y + s * 0.7, r: s * 0.18 }), line(x, y - s * 0.5, x + s * 0.35, y + s * 0.55, "stroke thick")],
  shunt: (x, y, s) => [box(x, y, 0.8 * s, 1.7 * s), line(x + s * 0.4, y - s * 0.4, x + s * 0.8, y - s * 0.4, "stroke"), line(x + s * 0.4, y + s * 0.4, x + s * 0.8, y + s * 0.4, "stroke")],
  part: (x, y, s) => [box(x, y, 1.1 * s, 1.1 * s)],
};

export function sign(kind, x, y, size) {
  return draw("g", { class: "part" }, ...(SIGNS[kind] || SIGNS.part)(x, y, size));
}
