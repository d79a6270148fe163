// What is wrong, what it means and what to do; and what the crew can say back.
import { deedsFor, isAside, isUnseen } from "./alert_states.js";
import { byId, make, refill, say } from "./dom.js";
import { tell } from "./talk.js";
import { t, word } from "./texts.js";
import { inReadersUnit, when } from "./words.js";

const opened = new Map(); // alert id -> whether "What to do" stands open
const states = new Map(); // alert id -> its state when last shown
const asked = new Set(); // "id deed" that were sent and have not yet come back

function kind(alert) {
  const values = { category: t(`alert.${alert.category}`), since: when(new Date(alert.raised_time)) };
  if (alert.state !== "rectified-unacknowledged") return t("alert.since", values);
  return t("alert.over", { ...values, over: when(new Date(alert.rectified_time)), began: values.since });
}

export function steps(advice) {
  // one sentence, one step: nobody reads a paragraph beside a hot joint
  // (no look-behind: phones of a few years ago cannot read it, and would drop the whole script)
  const list = advice.replace(/([.!?])\s+(?=[A-Z]|lugwatch )/g, "$1\n").split("\n").filter(Boolean);
  return make("ol", {}, ...list.map((step) => make("li", {}, inReadersUnit(step))));
}

async function send(alert, deed, buttons, note) {
  buttons.forEach((b) => { b.disabled = true; });
  try {
    await tell(`/api/alerts/${alert.alert_id}/${deed}`);
    asked.add(`${alert.alert_id} ${deed}`);
    say(note, t("alert.noted"));
  } catch (error) {
    buttons.forEach((b) => { b.disabled = false; });
    if (!error.locked) return say(note, error.message);
    refill(note, make("a", { href: `/enter?to=${encodeURIComponent(location.pathname)}` }, t("alert.locked")));
  }
}

function standing(alert) {
  const until = (time) => when(new Date(time));
  if (alert.state.startsWith("shelved") && alert.shelved_until_time) return t("alert.put_aside", { until: until(alert.shelved_until_time) });
  if (alert.state === "active-silenced" && alert.silenced_until_time) return t("alert.quiet_until", { until: until(alert.silenced_until_time) });
  if (isUnseen(alert)) return "";
  return alert.acknowledged_time ? t("alert.seen_at", { when: until(alert.acknowledged_time) }) : word("alert_state", alert.state);
}

function deed(alert, known) {
  const offered = deedsFor(alert, known);
  const waits = offered.some((d) => asked.has(`${alert.alert_id} ${d}`));
  const note = make("span", { role: "status" }, waits ? t("alert.noted") : standing(alert));
  const buttons = offered.map((name) => make("button", { type: "button", disabled: waits, "data-deed": name, click: () => send(alert, name, buttons, note) }, word("deed", name)));
  return make("div", { class: "deed" }, ...buttons, note);
}

function card(alert, deeds) {
  const over = isAside(alert);
  // unseen and urgent: what to do stands there without a tap
  const open = opened.has(alert.alert_id) ? opened.get(alert.alert_id) : alert.category !== "caution" && alert.state === "active-unacknowledged";
  const details = make("details", { open }, make("summary", {}, t("alert.what_to_do")), steps(alert.advice));
  details.addEventListener("toggle", () => opened.set(alert.alert_id, details.open));
  const name = alert.joint ? make("a", { href: `/joints/${encodeURIComponent(alert.joint)}` }, alert.name) : alert.name;
  return make("article", { class: `alert ${alert.category}${over ? " over" : ""}`, "data-alert": alert.alert_id },
    make("p", { class: "kind" }, kind(alert)), alert.name ? make("h2", {}, name) : null,
    make("p", {}, inReadersUnit(alert.text)), details, deed(alert, deeds));
}

let shown = "";
export function showAlerts(now, again = false) {
  const text = JSON.stringify(now.alerts);
  if (text === shown && !again) return; // a finger may be on its way to the button
  shown = text;
  // whatever was asked for: once the alert has another state, its buttons are alive again
  for (const alert of now.alerts) {
    if (states.get(alert.alert_id) !== alert.state) for (const key of [...asked]) if (key.startsWith(`${alert.alert_id} `)) asked.delete(key);
    states.set(alert.alert_id, alert.state);
  }
  refill(byId("alerts"), ...now.alerts.map((alert) => card(alert, now.deeds)));
}

export function tellChange(change, names) {
  const about = names.get(change.joint) || change.channel || "";
  const news = byId("news");
  if (!news) return;
  news.hidden = false;
  say(news, t("alert.news", { when: when(new Date(change.time)), category: t(`alert.${change.category}`).toLowerCase(), change: word("change", change.change), about: about ? `, ${about}` : "" }));
}
