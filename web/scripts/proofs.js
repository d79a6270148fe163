// The page of proof tests: begin one, follow it while the load is on, end it. What it says of a joint comes
// from the boat; here is only how it is shown.
import { onLookChange } from "./choices.js";
import { byId, make, refill, say } from "./dom.js";
import { HEARD } from "./live.js";
import { proofFigure } from "./proof_figure.js";
import { ask, tell } from "./talk.js";
import { t, word } from "./texts.js";
import { amps, duration, momentOf, risesInReadersUnit, temperature } from "./words.js";

const ASK_SECONDS = 3;
let shown = null; // the last answer
let wasUnderWay = null; // the number of the test that was under way when this page was last told

const bounded = (value, show) => (value === null ? t("joint.unknown") : show(value));

/** What to do, or what goes on, with one joint. */
function stageSentence(joint) {
  const values = {
    amps: bounded(joint.current_amps, (a) => amps(Math.abs(a))), rest: duration(joint.rest_seconds || 0),
    left: duration(Math.max(0, joint.rest_wanted_seconds - (joint.rest_seconds || 0))),
    least: amps(joint.least_amps), most: amps(joint.rest_amps), minutes: joint.test ? joint.test.minutes.toFixed(0) : "0",
  };
  return t(`proof.stage.${joint.stage}`, values);
}

function jointPart(joint) {
  const near = joint.probe_celsius !== null && joint.probe_celsius > joint.limit_celsius - 10;
  const place = make("div", { class: "figure" });
  const part = make("article", { class: `trial${joint.test ? ` ${joint.test.verdict}` : ""}`, "data-joint": joint.joint, "data-stage": joint.stage },
    make("h3", {}, joint.name),
    make("p", { class: "stage" }, stageSentence(joint)),
    make("p", { class: near ? "trouble" : "quiet" }, t("proof.now", {
      celsius: bounded(joint.probe_celsius, (c) => temperature(c)), limit: temperature(joint.limit_celsius, 0), amps: bounded(joint.current_amps, amps),
    }), near ? ` ${t("proof.near_limit")}` : ""),
    ...(joint.test ? joint.test.told.map((line) => make("p", { class: "said" }, risesInReadersUnit(line))) : []),
    place);
  return { part, draw: () => proofFigure(place, joint) };
}

function keptPart(kept) {
  return make("article", { class: `trial ${kept.verdict}` }, make("h3", {}, kept.name), make("p", { class: "quiet" }, risesInReadersUnit(kept.conditions)),
    ...kept.told.map((line) => make("p", { class: "said" }, risesInReadersUnit(line))), kept.against_before ? make("p", {}, risesInReadersUnit(kept.against_before)) : null,
    make("p", {}, make("a", { class: "go", href: `/joints/${encodeURIComponent(kept.joint)}/sheet` }, t("record.print"))));
}

function show() {
  const trial = shown && shown.trial;
  byId("trial-part").hidden = !trial;
  if (!trial) return;
  const underWay = trial.outcome === null;
  say(byId("trial-title"), t(underWay ? "proof.under_way" : "proof.last"));
  byId("trial-deeds").classList.toggle("gone", !underWay);
  const begin = byId("begin-part");
  begin.classList.toggle("gone", underWay);
  const trouble = byId("trial-trouble");
  trouble.hidden = !(trial.trouble || shown.problem);
  say(trouble, risesInReadersUnit(trial.trouble || shown.problem || ""));
  say(byId("trial-note"), underWay ? shown.caution : t(`proof.outcome.${trial.outcome}`));
  // read out when something has changed, not with every figure
  if (underWay) say(byId("trial-said"), trial.joints.map((j) => `${j.name}: ${j.test ? word("proof.verdict", j.test.verdict) : t(`proof.read.${j.stage}`)}.`).join(" "));
  const parts = underWay ? trial.joints.map(jointPart) : trial.kept.map((k) => ({ part: keptPart(k), draw: () => {} }));
  refill(byId("trial-joints"), ...parts.map((p) => p.part), ...trial.compared.map((line) => make("p", {}, risesInReadersUnit(line))));
  for (const p of parts) p.draw();
}

async function follow() {
  if (document.visibilityState === "hidden") return;
  try {
    shown = await ask("/api/proof_trial");
  } catch {
    return; // the page's own line says that there is no contact
  }
  const number = shown.trial && shown.trial.outcome === null ? shown.trial.trial_id : null;
  if (wasUnderWay !== null && number === null && shown.trial.kept.length) {
    location.reload(); // what was kept stands in the list now
    return;
  }
  wasUnderWay = number;
  show();
}

function failed(note, error) {
  say(note, error.locked ? t("alert.locked") : error.message);
  if (error.locked) note.append(" ", make("a", { href: `/enter?to=${encodeURIComponent(location.pathname)}` }, t("settings.enter")));
}

function asked(form, how) {
  const given = new FormData(form);
  const body = { joints: given.getAll("joints") };
  for (const name of ["amps", "minutes", "allowed_kelvin"]) {
    const text = (given.get(name) || "").trim().replace(",", ".");
    if (!text) continue;
    if (!(Number(text) > 0)) throw new Error(t("proof.no_number", { text }));
    body[name] = Number(text);
  }
  for (const name of ["note", "by"]) if (given.get(name)) body[name] = given.get(name);
  if (how === "record" && given.get("from")) body.from = momentOf(given.get("from")).toISOString();
  if (!body.joints.length) throw new Error(t("proof.choose"));
  return body;
}

function startForm() {
  const form = byId("proof-form");
  if (!form) return;
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const pressed = event.submitter || form.querySelector("button");
    const note = byId("proof-note");
    pressed.after(note); // where the thumb is
    const buttons = form.querySelectorAll("button");
    for (const b of buttons) b.disabled = true;
    say(note, t("proof.working"));
    try {
      const live = pressed.dataset.how !== "record";
      const done = await tell(live ? "/api/proof_trial" : "/api/proofs", asked(form, pressed.dataset.how));
      if (live) {
        say(note, "");
        await follow();
        byId("trial-part").scrollIntoView();
      } else {
        location.assign(`/proofs?done=${done.kept[0].proof_id}#proof-${done.kept[0].proof_id}`);
      }
    } catch (error) {
      failed(note, error);
    } finally {
      for (const b of buttons) b.disabled = false;
    }
  });
}

for (const button of document.querySelectorAll("[data-end]")) {
  button.addEventListener("click", async () => {
    button.disabled = true;
    try {
      await tell("/api/proof_trial/end", { keep: button.dataset.end === "keep" });
      say(byId("end-note"), "");
      await follow();
    } catch (error) {
      failed(byId("end-note"), error);
    }
    button.disabled = false;
  });
}
startForm();
follow();
setInterval(follow, ASK_SECONDS * 1000);
document.addEventListener(HEARD, follow);
onLookChange(show);
