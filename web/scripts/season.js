// Each joint over all passages, one bar a passage: how much more it heats than on its first.
import { byId, draw, make, refill, say } from "./dom.js";
import { rem } from "./plot.js";
import { t } from "./texts.js";
import { percent, shortDayOf, temperature, when } from "./words.js";

const FULL = 0.5; // a change of half fills the strip

function cell(c, x, width, high, choose) {
  const middle = high * 0.72;
  const g = draw("g", { class: "cell", "data-passage": c.passage_id });
  if (c.worked_before) g.append(draw("line", { class: "worked", x1: x, x2: x, y1: 0, y2: high }));
  if (c.ratio === null) {
    const size = Math.min(width * 0.6, 0.28 * high);
    g.append(draw("rect", { class: "blank", x: x + (width - size) / 2, y: middle - size - 2, width: size, height: size }));
  } else {
    const share = Math.max(-0.4, Math.min(1, (c.ratio - 1) / FULL));
    const tall = Math.max(2, Math.abs(share) * middle);
    const sure = c.ratio_sd !== null && c.ratio - 1 > 3.5 * c.ratio_sd && c.ratio > 1.08;
    g.append(draw("rect", { class: sure ? "bar up" : "bar", x: x + width * 0.12, width: width * 0.76, y: share >= 0 ? middle - tall : middle, height: tall }));
    if (sure) g.append(draw("polygon", { class: "tip", points: `${x + width / 2},${Math.max(0, middle - tall - 6)} ${x + width * 0.9},${Math.max(6, middle - tall)} ${x + width * 0.1},${Math.max(6, middle - tall)}` }));
  }
  const touch = draw("rect", { class: "touch", x, y: 0, width, height: high });
  touch.addEventListener("pointerenter", () => choose(c));
  touch.addEventListener("click", () => choose(c));
  g.append(touch);
  return g;
}

export function showSeason(season) {
  const place = byId("season");
  if (!place) return;
  const u = rem();
  const width = Math.max(240, place.clientWidth);
  const count = season.passages.length;
  const each = Math.min(3 * u, width / count);
  const high = 2.6 * u;
  const choose = (row) => (c) => {
    const change = c.ratio === null ? t("season.no_change") : c.ratio === 1 && c.ratio_sd === null ? t("season.first") : percent(c.ratio, c.ratio_sd);
    const note = byId("season-note");
    refill(note, `${row.name}. ${t("season.cell", { when: when(new Date(c.time)), change, celsius: c.max_celsius === null ? t("passage.no_reading") : temperature(c.max_celsius) })}. `,
      make("a", { href: `/passages/${c.passage_id}` }, t("season.open")));
  };
  const rows = season.joints.map((row) => {
    const pick = choose(row);
    const strip = draw("svg", { class: "strip", width, height: high, viewBox: `0 0 ${width} ${high}`, tabindex: 0, role: "img", "aria-label": row.name },
      draw("line", { class: "rule", x1: 0, x2: each * count, y1: high * 0.72, y2: high * 0.72 }), ...row.cells.map((c, i) => cell(c, i * each, each, high, pick)));
    let at = row.cells.length - 1;
    strip.addEventListener("keydown", (e) => {
      const move = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
      if (!move) return;
      e.preventDefault();
      at = Math.max(0, Math.min(row.cells.length - 1, at + move));
      pick(row.cells[at]);
    });
    strip.addEventListener("focus", () => pick(row.cells[at]));
    const last = [...row.cells].reverse().find((c) => c.ratio !== null);
    return make("section", { class: "row" }, make("p", { class: "head" }, make("a", { href: `/joints/${encodeURIComponent(row.joint)}` }, row.name),
      make("span", { class: "number" }, last ? percent(last.ratio, last.ratio_sd) : t("season.no_change"))), strip);
  });
  const dates = draw("svg", { class: "ticks", width, height: 1.2 * u, viewBox: `0 0 ${width} ${1.2 * u}`, "aria-hidden": "true" },
    draw("text", { x: 0, y: 0.85 * u, "font-size": 0.75 * u, class: "start" }, shortDayOf(new Date(season.passages[0].start_time))),
    count > 1 && each * count > 9 * u ? draw("text", { x: each * count, y: 0.85 * u, "font-size": 0.75 * u, class: "stop" }, shortDayOf(new Date(season.passages[count - 1].start_time))) : null);
  refill(place, ...rows, dates);
}
