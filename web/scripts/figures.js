// All that is believed of one joint now; what is not known says so, and why.
import { byId, draw, make, refill } from "./dom.js";
import { about } from "./joints.js";
import { rem } from "./plot.js";
import { scale, tickTemperatures, placer } from "./scale.js";
import { t, word } from "./texts.js";
import { amps, difference, duration, microOhms, percent, temperature, unitMark, when, withSpread } from "./words.js";

function pair(key, text, reason) {
  const told = text === null || text === undefined;
  return [make("dt", {}, t(key)), make("dd", told ? { class: "quiet" } : {}, told ? `${t("joint.unknown")}${reason ? `: ${reason}` : ""}` : text)];
}

function baseline(joint) {
  if (joint.baseline_rise_coefficient === null) return null;
  return t("joint.baseline_told", { rise: withSpread(joint.baseline_rise_coefficient * 1e4, joint.baseline_rise_coefficient_sd * 1e4), when: when(new Date(joint.baseline_time)) });
}

export function showFigures(joint, axis) {
  const place = byId("figures");
  if (!joint || !axis) return refill(place, make("p", { class: "quiet" }, t("joint.unknown")));
  const u = rem();
  const width = Math.max(200, place.clientWidth);
  const silent = joint.probe_celsius === null && joint.age_seconds !== null ? t("joint.no_reading", { duration: duration(joint.age_seconds) }) : joint.reason;
  const why = joint.reason;
  const at = placer(axis, 0, width);
  const ticks = tickTemperatures(axis);
  const toLimit = joint.settles_at_celsius === null ? null : joint.seconds_to_limit === null ? t("joint.never") : t("joint.in", { duration: duration(joint.seconds_to_limit) });
  refill(place,
    make("p", { class: `joint big ${joint.mark}` }, make("span", { class: "number" }, joint.probe_celsius === null ? silent || t("joint.unknown") : temperature(joint.probe_celsius)), ` ${word("state", joint.state)}`),
    make("div", { class: `joint ${joint.mark}` },
      draw("svg", { class: "ticks", width, height: u, viewBox: `0 0 ${width} ${u}`, "aria-hidden": "true" }, ...ticks.map(([tick, c], i) => draw("text", { x: at(c), y: 0.75 * u, "font-size": 0.72 * u }, i === ticks.length - 1 ? `${tick} ${unitMark()}` : String(tick)))),
      draw("svg", { width, height: 2.2 * u, viewBox: `0 0 ${width} ${2.2 * u}`, "aria-hidden": "true" }, scale(joint, axis, 0, 1.1 * u, width, 0.9 * u, true))),
    make("dl", { class: "pairs" },
      ...pair("joint.reference", joint.reference_celsius === null ? null : temperature(joint.reference_celsius), why),
      ...pair("joint.rise", joint.rise_kelvin === null ? null : difference(joint.rise_kelvin), silent),
      ...pair("joint.current", joint.current_amps === null ? null : `${amps(joint.current_amps)}; ${t("joint.current_squared").toLowerCase()} ${Math.round(joint.current_amps ** 2)} A²`, why),
      ...pair("joint.settles", joint.settles_at_celsius === null ? null : about(joint.settles_at_celsius, joint.settles_at_sd_kelvin), why),
      ...pair("joint.ends", joint.ends_at_celsius === null ? null : about(joint.ends_at_celsius, joint.ends_at_sd_kelvin), why),
      ...pair("joint.to_limit", toLimit, why),
      ...pair("joint.settles_rated", joint.settles_at_rated_celsius === null ? null : about(joint.settles_at_rated_celsius, joint.settles_at_rated_sd_kelvin), why),
      ...pair("joint.rise_100", joint.rise_coefficient === null ? null : withSpread(joint.rise_coefficient * 1e4, joint.rise_coefficient_sd === null ? null : joint.rise_coefficient_sd * 1e4), why),
      ...pair("joint.ratio", joint.baseline_ratio === null ? null : t("joint.ratio_told", { ratio: percent(joint.baseline_ratio, joint.baseline_ratio_sd) }), why || t("state.learning")),
      ...pair("joint.baseline", baseline(joint), t("state.learning")),
      ...pair("joint.resistance", joint.resistance_ohms === null ? null : microOhms(joint.resistance_ohms, joint.resistance_sd_ohms), t("chart.no_ohms")),
      ...(joint.resistance_basis ? pair("joint.basis", t(`joint.basis.${joint.resistance_basis}`)) : [])));
}
