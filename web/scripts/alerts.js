// What is wrong, what it means and what to do; and the one thing the crew can say back: "Seen".
import { byId, make, refill, say } from "./dom.js";
import { inReadersUnit, when } from "./words.js";

const CHANGE_WORDS = {
  raised: "raised", worsened: "has become worse", eased: "has eased", acknowledged: "seen", rectified: "over", returned: "is back",
};
const opened = new Map(); // alert id -> whether "What to do" stands open
const asked = new Set(); // alert ids whose "Seen" has been sent and not yet come back

function kind(alert) {
  const since = when(new Date(alert.raised_time));
  const word = alert.category[0].toUpperCase() + alert.category.slice(1);
  if (alert.state === "rectified-unacknowledged") return `${word}, over since ${when(new Date(alert.rectified_time))}, began ${since}`;
  return `${word} since ${since}`;
}

function steps(advice) {
  // one sentence, one step: nobody reads a paragraph beside a hot joint
  // (no look-behind: phones of a few years ago cannot read it, and would drop the whole script)
  const list = advice.replace(/([.!?])\s+(?=[A-Z]|lugwatch )/g, "$1\n").split("\n").filter(Boolean);
  return make("ol", {}, ...list.map((step) => make("li", {}, inReadersUnit(step))));
}

async function acknowledge(alertId, button, note) {
  button.disabled = true;
  try {
    const answer = await fetch(`/api/alerts/${alertId}/acknowledge`, { method: "POST" });
    if (!answer.ok) throw new Error(String(answer.status));
    asked.add(alertId);
    say(note, "Noted; the watch takes it up in a moment.");
  } catch {
    button.disabled = false;
    say(note, "That did not reach lugwatch; try again.");
  }
}

function deed(alert) {
  if (!alert.state.endsWith("unacknowledged")) {
    const by = alert.acknowledged_time ? `Seen at ${when(new Date(alert.acknowledged_time))}.` : "Seen.";
    return make("p", { class: "deed" }, by);
  }
  const waits = asked.has(alert.alert_id);
  const note = make("span", { role: "status" }, waits ? "Noted; the watch takes it up in a moment." : "");
  const button = make("button", { type: "button", disabled: waits, click: () => acknowledge(alert.alert_id, button, note) }, "Seen");
  return make("div", { class: "deed" }, button, note);
}

function card(alert) {
  const over = alert.state === "rectified-unacknowledged";
  const open = opened.has(alert.alert_id) ? opened.get(alert.alert_id) : alert.category === "alarm" && !over;
  const details = make("details", { open },
    make("summary", {}, "What to do"), steps(alert.advice));
  details.addEventListener("toggle", () => opened.set(alert.alert_id, details.open));
  return make("article", { class: `alert ${alert.category}${over ? " over" : ""}`, "data-alert": alert.alert_id },
    make("p", { class: "kind" }, kind(alert)),
    alert.name ? make("h3", {}, alert.name) : null,
    make("p", {}, inReadersUnit(alert.text)), details, deed(alert));
}

let shown = "";
export function showAlerts(now, again = false) {
  const text = JSON.stringify(now.alerts);
  if (text === shown && !again) return; // a finger may be on its way to the button
  shown = text;
  for (const alert of now.alerts) if (!alert.state.endsWith("unacknowledged")) asked.delete(alert.alert_id);
  refill(byId("alerts"), ...now.alerts.map(card));
}

export function tellChange(change, names) {
  const about = names.get(change.joint) || change.channel || "";
  const news = byId("news");
  news.hidden = false;
  say(news, `${when(new Date(change.time))}: ${change.category} ${CHANGE_WORDS[change.change] || change.change}${about ? `, ${about}` : ""}.`);
}
