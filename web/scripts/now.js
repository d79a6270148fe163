// The first page: keeps what is shown true to what was heard, and to how long ago.
import { showAlerts, tellChange } from "./alerts.js";
import { chooseJoint, keepChart, repaint, startChart } from "./chart.js";
import { openContact } from "./contact.js";
import { byId, make, refill, say } from "./dom.js";
import { showJoints } from "./joints.js";
import { amps, clockTime, duration, when } from "./words.js";

let now = null;
let arrived = 0; // of `now`, by performance.now()
let age = { seconds: null, at: 0 };
let picked = null; // the joint a finger chose; else the worst is brought out

const elapsed = () => (performance.now() - arrived) / 1000;
const chosen = () => (now.joints.some((j) => j.joint === picked) ? picked : now.joints[0]?.joint);

function showCurrents() {
  byId("currents-part").hidden = now.currents.length === 0;
  refill(byId("currents"), ...now.currents.map((c) => {
    let text = c.age_seconds === null ? "never read" : `no reading ${duration(c.age_seconds + elapsed())}`;
    if (c.current_amps !== null) text = c.rated_amps ? `${amps(c.current_amps)} of ${c.rated_amps} A` : amps(c.current_amps);
    return make("li", {}, make("span", {}, c.name), make("span", { class: "number" }, text));
  }));
}

function showJointsNow() {
  showJoints(now, elapsed(), chosen(), (joint) => { picked = joint; showJointsNow(); chooseJoint(joint); });
}

function show(again = false) {
  if (!now) return;
  say(byId("boat"), now.boat || "lugwatch");
  if (now.boat) document.title = `${now.sentence} ${now.boat}`;
  byId("problem").hidden = !now.problem;
  say(byId("problem"), now.problem || "");
  document.body.classList.toggle("stale", now.stale && !now.waiting);
  showAlerts(now, again);
  showCurrents();
  showJointsNow();
  chooseJoint(chosen());
}

function onNow(snapshot) {
  now = snapshot;
  arrived = performance.now();
  onBeat(snapshot);
  show();
  if (!now.waiting) keepChart();
}

function onBeat(beat) {
  age = { seconds: beat.age_seconds, at: performance.now() };
  if (!now) return;
  now.sentence = beat.sentence;
  if (beat.stale !== now.stale) fetch("/api/now", { cache: "no-store" }).then((r) => r.json()).then(onNow, () => {});
}

function onTick({ lost, silence }) {
  document.body.classList.toggle("lost", lost);
  const last = byId("last-known");
  last.hidden = !(lost && now);
  if (lost) {
    say(byId("sentence"), `No contact with lugwatch for ${duration(silence)}.`);
    say(byId("age"), "not live");
    if (now) say(last, `Last heard at ${when(new Date(Date.now() - silence * 1000))}: ${now.sentence}`);
    return;
  }
  if (!now) return;
  say(byId("sentence"), now.sentence);
  const seconds = age.seconds === null ? null : age.seconds + (performance.now() - age.at) / 1000;
  const live = !now.stale && seconds !== null;
  const clock = clockTime(new Date());
  say(byId("age"), now.waiting ? clock : live ? `${clock} · live` : seconds === null ? "of unknown age" : `${duration(seconds)} old`);
  if (!now.waiting) keepChart();
}

export function startNow() {
  startChart();
  openContact({
    onNow, onBeat, onTick,
    onChange: (change) => tellChange(change, new Map((now?.joints || []).map((j) => [j.joint, j.name]))),
  });
  return () => { show(true); repaint(); };
}
