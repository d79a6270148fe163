// What every page keeps true: the sentence, how old it is, how many alerts are unseen, the sound of them.
import { isUnseen } from "./alert_states.js";
import { openContact } from "./contact.js";
import { byId, say } from "./dom.js";
import { keepSounding } from "./sound.js";
import { t } from "./texts.js";
import { clockTime, duration, when, zoneName } from "./words.js";

export const HEARD = "heard"; // the event by which other scripts of the page learn what was heard
let now = null;
let arrived = 0; // of `now`, by performance.now()
let age = { seconds: null, at: 0, time: 0 };
const heardAge = (heard) => ({ seconds: heard.age_seconds, at: performance.now(), time: Date.parse(heard.time) });
const title = document.title;

export const latest = () => now; // for who came too late to hear of it
export const elapsedSeconds = () => (performance.now() - arrived) / 1000;

function unseen() {
  return (now?.alerts || []).filter(isUnseen);
}

function showTitle(lost) {
  const count = unseen().length;
  const parts = [count ? `(${count})` : null, lost ? t("live.not_live") : document.body.dataset.page === "now" ? now?.sentence : null, title];
  const text = parts.filter(Boolean).join(" ");
  if (document.title !== text) document.title = text;
  const urgent = unseen().some((a) => a.category !== "caution");
  const icon = byId("icon");
  const wanted = urgent || lost ? icon.dataset.alert : icon.dataset.usual;
  if (icon.getAttribute("href") !== wanted) icon.setAttribute("href", wanted);
  const mark = byId("unseen");
  if (mark) {
    mark.hidden = count === 0;
    say(mark, t("live.unseen", { count }));
  }
}

function showAge() {
  const seconds = age.seconds === null ? null : age.seconds + (performance.now() - age.at) / 1000;
  // the boat's clock, which all other times on the page are by
  const clock = clockTime(new Date(age.time + (performance.now() - age.at)));
  if (now.waiting) return clock;
  if (seconds === null) return t("live.unknown_age");
  return now.stale ? t("live.old", { duration: duration(seconds) }) : `${clock} · ${t("live.live")}`;
}

/** `show(now, again)`: whatever the page itself shows of the present; `change`: one change of an alert. */
export function startLive({ show, change }) {
  const take = (snapshot) => {
    now = snapshot;
    arrived = performance.now();
    age = heardAge(snapshot);
    say(byId("boat"), now.boat || "lugwatch");
    document.body.classList.toggle("stale", now.stale && !now.waiting);
    show(now, false);
    document.dispatchEvent(new CustomEvent(HEARD, { detail: now }));
    showTitle(false);
  };
  const beat = (heard) => {
    age = heardAge(heard);
    if (!now) return;
    now.sentence = heard.sentence;
    if (heard.stale !== now.stale) fetch("/api/now", { cache: "no-store" }).then((r) => r.json()).then(take, () => {});
  };
  const tick = ({ lost, silence }) => {
    document.body.classList.toggle("lost", lost);
    const last = byId("last-known");
    if (last) last.hidden = !(lost && now);
    if (lost) {
      say(byId("sentence"), t("live.no_contact", { duration: duration(silence) }));
      say(byId("age"), t("live.not_live"));
      if (now && last) say(last, t("live.last_heard", { when: when(new Date(Date.now() - silence * 1000)), sentence: now.sentence }));
    } else if (now) {
      say(byId("sentence"), now.sentence);
      say(byId("age"), showAge());
    }
    byId("age").title = zoneName();
    keepSounding(now?.alerts || [], lost);
    showTitle(lost);
  };
  openContact({ onNow: take, onBeat: beat, onChange: (c) => change(c, now), onTick: tick });
  return () => now && show(now, true);
}
