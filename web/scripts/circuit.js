// The owner's circuit: currents come down into a bar and leave it below, each conductor as thick as what
// flows in it, each joint where it stands. What stands where comes from the configuration (/api/circuit).
import { byId, draw, make, refill } from "./dom.js";
import { inRows, short } from "./names.js";
import { markAt, scale } from "./scale.js";
import { sign } from "./signs.js";
import { t, word } from "./texts.js";
import { amps, duration, temperature } from "./words.js";

const NARROWEST = 6.9; // of a column, in type sizes
let bars = null;
let stamp = null;
let shown = null;

export async function keepCircuit(now) {
  shown = now;
  if (stamp !== now.circuit_stamp) {
    stamp = now.circuit_stamp;
    try {
      bars = await (await fetch("/api/circuit", { cache: "no-store" })).json();
    } catch {
      stamp = null; // asked for again with the next word from lugwatch
    }
  }
  paintCircuit();
}

const cap = (text) => text.charAt(0).toUpperCase() + text.slice(1);

/** What flows in a line: how thick it is drawn, in which direction, in words. */
function flow(line, onBar) {
  const current = shown.currents.find((c) => c.channel === line.current);
  const most = Math.max(1, ...shown.currents.map((c) => c.rated_amps || Math.abs(c.current_amps || 0)));
  if (!current) return { width: 1.5, kind: "unknown", way: 0, text: t("circuit.unmeasured"), told: t("circuit.unmeasured") };
  if (current.current_amps === null) {
    const old = current.age_seconds === null ? t("joint.never_read") : t("joint.no_reading", { duration: duration(current.age_seconds) });
    return { width: 1.5, kind: "unknown", way: 0, text: old, told: `${t("circuit.current_unknown")}, ${old}` };
  }
  const size = Math.abs(current.current_amps);
  if (size < most * 0.004) return { width: 1.5, kind: "idle", way: 0, text: amps(size), told: t("circuit.nothing") };
  const way = Math.sign(current.current_amps);
  const bar = !onBar ? [null, "along", "against"] : line.into ? [null, "towards", "away"] : [null, "away", "towards"];
  const told = t(`circuit.${way > 0 ? bar[1] : bar[2]}`);
  return { width: 2 + 8 * Math.min(1, size / most), kind: "flows", way, text: `${amps(size)} ${way > 0 ? "↓" : "↑"}`, told };
}

/** One line as rows from top to bottom, with the height that each takes [type sizes]. */
function rows(line, onBar, wide) {
  const joint = (id) => ({ joint: id, height: wide ? 4.1 : 3.1 });
  const steps = line.steps.map((s) => (s.joint ? joint(s.joint) : { part: s, height: 2.5 }));
  const end = line.end || !onBar ? [{ end: line.end || { kind: "part", name: t("circuit.unmeasured") }, height: 3.3 }] : [];
  const stud = line.stud ? [joint(line.stud)] : [];
  const source = line.into || (!onBar && ["alternator", "charger", "battery"].includes(line.end?.kind));
  return source ? [...end, ...steps, ...stud] : [...stud, ...steps, ...end];
}
const height = (list) => list.reduce((sum, row) => sum + row.height, 0);

// "Bus bar, battery stud" on the bar "Bus bar" is its "battery stud"
function within(name, of) {
  return of && name.startsWith(of) && name.length > of.length + 1 ? name.slice(of.length).replace(/^[\s,:;–-]+/, "") || name : name;
}

const joinsName = (row, part) => {
  const name = shown.joints.find((j) => j.joint === row.joint)?.name;
  return Boolean(name) && within(name, part.name) !== name;
};

function jointRow(id, x, y, u, { width: column, full, wide, of }) {
  const joint = shown.joints.find((j) => j.joint === id);
  if (!joint) return null; // configured anew, and not yet in what was heard
  const left = x + 0.95 * u;
  const room = Math.min(9 * u, column - 1.75 * u);
  const middle = y + (wide ? 2.05 : 1.05) * u;
  const known = joint.probe_celsius !== null;
  const limit = temperature(joint.limit_celsius, 0);
  const number = known ? temperature(joint.probe_celsius, column < 9.5 * u ? 0 : 1) : joint.age_seconds === null ? "?" : duration(joint.age_seconds);
  const told = t("joint.described", { name: joint.name, state: word("state", joint.state), limit, celsius: known ? temperature(joint.probe_celsius) : t("joint.unknown") });
  const name = wide ? short(cap(within(joint.name, of)), Math.floor((full - 1.4 * u) / (0.5 * u))) : "";
  // what is seen comes first in what is said, so that whoever speaks to the phone can name it: WCAG 2.2, 2.5.3
  return draw("a", { href: `/joints/${encodeURIComponent(id)}`, class: `joint ${joint.mark}`, "data-joint": id, "aria-label": `${name} ${number} ${told}`.trim() },
    draw("rect", { class: "touch", x: x - 0.75 * u, y, width: full - 0.2 * u, height: (wide ? 4 : 3) * u }),
    wide ? draw("text", { class: "name", x: left, y: y + 0.95 * u, "font-size": 0.78 * u }, name, " ") : null,
    markAt(joint.mark, x, middle - 0.02 * u, 0.44 * u),
    draw("text", { class: "number", x: left, y: middle + 0.36 * u, "font-size": u }, number, " "),
    draw("title", {}, told),
    scale(joint, shown.axis, left - 0.1 * u, middle + 1.12 * u, room, 0.42 * u));
}

function column(line, list, x, top, u, room, bar) {
  const parts = [];
  const current = flow(line, bar !== null);
  let y = top;
  for (const [i, row] of list.entries()) {
    const beside = [list[i - 1], list[i + 1]].map((other) => other?.part || other?.end).find((part) => part && joinsName(row, part));
    if (row.joint) parts.push(jointRow(row.joint, x, y, u, { ...room, of: row.joint === line.stud ? bar : beside?.name }));
    else {
      const kind = row.part || row.end;
      const size = (row.part ? 0.75 : 0.85) * u;
      const middle = y + row.height * u / 2;
      parts.push(sign(kind.kind, x, middle, row.part ? 0.62 * u : 0.8 * u));
      const name = inRows(cap(kind.name), room.full - 2.1 * u, size, row.part ? 400 : 600);
      const lead = (row.part ? 0.85 : 0.95) * u;
      // a part's name is centred on its sign, an end's first row stands where one row would
      const first = middle + (row.end ? -0.15 * u : 0.28 * u) - (name.length - 1) * lead * (row.end ? 1 : 0.5);
      const told = draw("text", { class: row.part ? "name" : "end", "font-size": size },
        ...name.map((said, n) => draw("tspan", { x: x + 1.15 * u, y: first + n * lead }, n < name.length - 1 ? `${said} ` : said)));
      told.append(draw("title", {}, kind.name));
      parts.push(told);
      if (row.end) parts.push(draw("text", { class: `amps ${current.kind}`, x: x + 1.15 * u, y: middle + 0.95 * u, "font-size": current.kind === "unknown" ? 0.75 * u : u }, current.text));
    }
    y += row.height * u;
  }
  return { parts, current, bottom: y };
}

function conductor(x, y1, y2, current) {
  const parts = [draw("line", { class: `conductor ${current.kind}`, x1: x, x2: x, y1, y2, "stroke-width": current.width })];
  if (current.kind === "flows" && current.width >= 4) {
    const s = current.width * 0.42 * current.way;
    for (let y = y1 + 22; y < y2 - 14; y += 26) parts.push(draw("polyline", { class: "chevron", points: `${x - Math.abs(s)},${y - s / 2} ${x},${y + s / 2} ${x + Math.abs(s)},${y - s / 2}` }));
  }
  return parts;
}

function chunks(list, size) {
  const cut = [];
  for (let i = 0; i < list.length; i += size) cut.push(list.slice(i, i + size));
  return cut;
}

/** Lines side by side, in as many rungs as the width asks for; returns where the next thing may stand. */
function drawBar(bar, top, u, width, out) {
  const into = bar.lines.filter((l) => l.into);
  const away = bar.lines.filter((l) => !l.into);
  const fit = Math.max(1, Math.floor((width - (bar.name === null ? 0 : 0.8 * u)) / (NARROWEST * u)));
  const most = Math.min(fit, Math.max(into.length, away.length, 1));
  const start = bar.name === null ? 0 : 0.8 * u;
  const each = (width - start) / most;
  const place = (i) => start + i * each + 0.95 * u;
  const rungs = [];
  let y = top;
  const group = (lines, above) => {
    // the last one may write as far as the drawing goes
    const full = (i) => (i === lines.length - 1 ? width - place(i) + 0.95 * u : each);
    const wide = (i) => full(i) >= 9.5 * u;
    const lists = lines.map((line, i) => rows(line, bar.name !== null, wide(i)));
    const tallest = Math.max(...lists.map(height)) * u;
    lines.forEach((line, i) => {
      const from = above ? y + tallest - height(lists[i]) * u : y;
      const drawn = column(line, lists[i], place(i), from, u, { width: each, full: full(i), wide: wide(i) }, bar.name);
      const [y1, y2] = above ? [from + 1.5 * u, y + tallest + 2] : [bar.name !== null ? y - 2 : y + 1.5 * u, drawn.bottom - (line.end ? 1.6 * u : 0.8 * u)];
      out.conductors.push(...conductor(place(i), y1, y2, drawn.current));
      out.parts.push(draw("g", { role: "group", "aria-label": t("circuit.described", { name: cap(line.end?.name || bar.name || ""), amps: drawn.current.text, way: drawn.current.told }) }, ...drawn.parts.filter(Boolean)));
    });
    y += tallest;
  };
  const rung = () => {
    rungs.push(y + 0.3 * u);
    y += 0.6 * u;
  };
  const above = chunks(into, most);
  const below = chunks(away, most);
  above.forEach((lines) => { group(lines, true); if (bar.name !== null) rung(); });
  if (bar.name !== null && !above.length) rung();
  below.forEach((lines, i) => { if (i > 0 && bar.name !== null) rung(); group(lines, false); });
  if (bar.name !== null && rungs.length) {
    for (const at of rungs) out.bars.push(draw("line", { class: "bar", x1: 2, x2: width - 2, y1: at, y2: at, "stroke-width": 0.55 * u }));
    if (rungs.length > 1) out.bars.push(draw("line", { class: "bar", x1: 0.28 * u, x2: 0.28 * u, y1: rungs[0], y2: rungs[rungs.length - 1], "stroke-width": 0.55 * u }));
    out.parts.push(draw("text", { class: "barname", x: width - 3, y: rungs[0] - 0.55 * u, "font-size": 0.78 * u, "text-anchor": "end" }, short(bar.name, Math.floor(width / (0.9 * u)))));
  }
  return y + 1.1 * u;
}

export function paintCircuit() {
  const part = byId("circuit-part");
  if (!bars || !shown || !shown.axis) {
    part.hidden = true;
    return;
  }
  part.hidden = false;
  const place = byId("circuit");
  const width = Math.max(200, place.clientWidth);
  const u = parseFloat(getComputedStyle(document.documentElement).fontSize);
  const out = { conductors: [], bars: [], parts: [] };
  let y = 0.2 * u;
  for (const bar of bars) y = drawBar(bar, y, u, width, out);
  const focused = document.activeElement?.closest?.("#circuit a")?.dataset.joint;
  refill(place, draw("svg", { viewBox: `0 0 ${width} ${Math.ceil(y)}`, width, height: Math.ceil(y), role: "group", "aria-labelledby": "circuit-title" },
    ...out.conductors, ...out.bars, ...out.parts));
  if (focused) place.querySelector(`a[data-joint="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
}
