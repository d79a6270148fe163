// How far this phone's clock is from the boat's: a wrong one makes every age on it wrong.
import { byId, say } from "./dom.js";
import { ask } from "./talk.js";
import { t } from "./texts.js";
import { duration } from "./words.js";

const APART_SECONDS = 5;

export async function startWatchman() {
  const place = byId("clock-difference");
  try {
    const asked = Date.now();
    const health = await ask("/api/health");
    const apart = Math.abs(Date.parse(health.time) - (asked + Date.now()) / 2) / 1000;
    say(place, apart > APART_SECONDS ? t("watchman.clock_differs", { duration: duration(apart) }) : t("watchman.clock_agrees"));
  } catch {
    say(place, t("error.no_contact"));
  }
}
