// Each joint on one shared axis, worst first: surroundings, where it is, where it will settle, its limit.
import { byId, draw, make, refill } from "./dom.js";
import { markAt, placer, scale, tickTemperatures } from "./scale.js";
import { t, word } from "./texts.js";
import { bare, duration, microOhms, percent, temperature, unitMark } from "./words.js";

function ticks(axis, width, u) {
  const at = placer(axis, 0, width);
  const shown = tickTemperatures(axis);
  return draw("svg", { class: "ticks", "aria-hidden": "true", width, height: u, viewBox: `0 0 ${width} ${u}` },
    ...shown.map(([tick, celsius], i) => draw("text", { x: at(celsius), y: 0.75 * u, "font-size": 0.72 * u },
      i === shown.length - 1 ? `${tick} ${unitMark()}` : String(tick))));
}

export function numbers(joint, elapsed) {
  if (joint.probe_celsius === null) {
    return [joint.age_seconds === null ? t("joint.never_read") : t("joint.no_reading", { duration: duration(joint.age_seconds + elapsed) })];
  }
  const unjudged = joint.state === "no_load" || joint.state === "limit_only";
  const compared = unjudged ? null : percent(joint.baseline_ratio, joint.baseline_ratio_sd);
  return [temperature(joint.probe_celsius), compared].filter(Boolean);
}

export function about(celsius, sdKelvin) {
  const spread = 2 * (sdKelvin || 0);
  return t("joint.about", { celsius: temperature(celsius, 0), low: bare(celsius - spread), high: bare(celsius + spread) });
}

function smallText(joint) {
  const said = [word("state", joint.state)];
  if (joint.settles_at_celsius !== null && joint.state !== "no_load") {
    said.push(t("joint.settles_near", { about: about(joint.settles_at_celsius, joint.settles_at_sd_kelvin) }));
    if (joint.ends_at_celsius !== null) said.push(t("joint.ends_near", { about: about(joint.ends_at_celsius, joint.ends_at_sd_kelvin) }));
  }
  said.push(t("joint.limit", { celsius: temperature(joint.limit_celsius, 0) }));
  if (joint.seconds_to_limit !== null) said.push(t("joint.there_in", { duration: duration(joint.seconds_to_limit) }));
  if (joint.resistance_ohms !== null && joint.state !== "silent") said.push(microOhms(joint.resistance_ohms, joint.resistance_sd_ohms));
  if (joint.baseline_ratio === null && joint.reason) said.push(t("joint.not_compared", { reason: joint.reason }));
  return said.join(" · ");
}

function legend(u) {
  const line = (kind, x1, y1, x2, y2) => draw("line", { class: kind, x1, y1, x2, y2 });
  const item = (text, ...shapes) => make("span", {}, draw("svg", { viewBox: "0 0 22 14", width: 1.4 * u, height: 0.9 * u, "aria-hidden": "true" }, draw("g", { class: "scale" }, ...shapes)), text);
  return make("div", { class: "legend" },
    item(t("joints.surroundings"), line("edge", 11, 2, 11, 12)),
    item(t("joints.now"), markAt("dot", 11, 7, 5)),
    item(t("joints.settles"), draw("rect", { class: "band", x: 2, y: 1, width: 18, height: 12 })),
    item(t("joints.limit"), line("end", 11, 0, 11, 14)),
    make("span", {}, t("joints.percent")));
}

export function showJoints(now, elapsed) {
  const place = byId("joints");
  byId("joints-part").hidden = now.joints.length === 0;
  if (!now.axis) return refill(place);
  const u = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const width = Math.max(200, place.clientWidth);
  const focused = document.activeElement?.closest?.("#joints a")?.dataset.joint;
  const rows = now.joints.map((joint) => {
    const high = 1.7 * u;
    return make("a", { href: `/joints/${encodeURIComponent(joint.joint)}`, class: `joint ${joint.mark}`, "data-joint": joint.joint },
      make("span", { class: "head" }, make("span", { class: "name" }, joint.name),
        make("span", { class: "number" }, ...numbers(joint, elapsed).map((text) => make("span", {}, text)))),
      draw("svg", { class: "one", "aria-hidden": "true", width, height: high, viewBox: `0 0 ${width} ${high}` }, scale(joint, now.axis, 0, high / 2, width, 0.72 * u, true)),
      make("span", { class: "small" }, smallText(joint)));
  });
  refill(place, ticks(now.axis, width, u), ...rows, legend(u));
  if (focused) rows.find((row) => row.dataset.joint === focused)?.focus({ preventScroll: true });
}
