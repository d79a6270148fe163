// Tones and vibration while an alarm or a warning is unseen; only after a first tap, as browsers ask.
// Alarm: three tones, again every 7 s. Warning: two tones, again every minute. Caution: silent.
// (Categories sound apart as in IMO MSC.302(87); the periods are common practice, from memory.)
import { sounds } from "./alert_states.js";
import { byId, say } from "./dom.js";
import { t } from "./texts.js";

const PATTERNS = {
  alarm: { tones: [0, 0.35, 0.7], hertz: 1000, again: 7, vibrate: [250, 100, 250, 100, 250] },
  warning: { tones: [0, 0.4], hertz: 700, again: 60, vibrate: [250, 150, 250] },
};
const TAPS = ["pointerdown", "pointerup", "click", "keydown"];
let context = null;
let last = { category: null, at: -Infinity };
export const sounded = []; // for whoever wants to know what was sounded, newest last

export function awake() {
  return context !== null && context.state === "running";
}

async function wake() {
  const Context = window.AudioContext || window.webkitAudioContext;
  if (!Context) return false;
  context = context || new Context();
  await context.resume().catch(() => {});
  return awake();
}

export function soundOnce(category) {
  const pattern = PATTERNS[category];
  if (!pattern) return;
  sounded.push(category);
  if (sounded.length > 20) sounded.shift();
  if (awake()) {
    for (const start of pattern.tones) {
      const tone = context.createOscillator();
      const loud = context.createGain();
      const begin = context.currentTime + start;
      tone.frequency.value = pattern.hertz;
      // no click at the ends
      loud.gain.setValueAtTime(0, begin);
      loud.gain.linearRampToValueAtTime(0.5, begin + 0.02);
      loud.gain.setValueAtTime(0.5, begin + 0.2);
      loud.gain.linearRampToValueAtTime(0, begin + 0.25);
      tone.connect(loud).connect(context.destination);
      tone.start(begin);
      tone.stop(begin + 0.3);
    }
  }
  if (navigator.vibrate && navigator.userActivation?.hasBeenActive !== false) navigator.vibrate(pattern.vibrate);
  document.documentElement.dataset.sounded = category;
}

/** Called each second with the alerts as they are: sounds where somebody must look. */
export function keepSounding(alerts, lost) {
  const unseen = alerts.filter(sounds);
  const worst = ["alarm", "warning"].find((category) => unseen.some((a) => a.category === category));
  if (!worst || lost) {
    last = { category: worst || null, at: worst ? last.at : -Infinity };
    return;
  }
  const now = performance.now() / 1000;
  if (worst === last.category && now - last.at < PATTERNS[worst].again) return;
  last = { category: worst, at: now };
  soundOnce(worst);
}

function tellState() {
  const state = byId("sound-state");
  if (state) say(state, t(!(window.AudioContext || window.webkitAudioContext) ? "sound.none" : awake() ? "sound.on" : "sound.off"));
}

export function startSound() {
  // any first tap or key will do: nobody should have to look for a button. The beginning of a touch does
  // not count for browsers, so this listens until it has been let.
  const first = async () => {
    if (navigator.userActivation && !navigator.userActivation.isActive) return;
    if (await wake()) TAPS.forEach((name) => document.removeEventListener(name, first));
    tellState();
  };
  TAPS.forEach((name) => document.addEventListener(name, first));
  byId("test-sound")?.addEventListener("click", async () => {
    await wake();
    tellState();
    soundOnce("warning");
  });
  tellState();
}
