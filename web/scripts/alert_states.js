// Which alerts ask for somebody, which sound, and what can be done about each; states are those of the watch.
const UNSEEN = new Set(["active-unacknowledged", "active-silenced", "rectified-unacknowledged"]);
const OVER = new Set(["rectified-unacknowledged", "shelved-rectified", "normal"]);
const DEEDS = {
  acknowledge: (state) => UNSEEN.has(state),
  silence: (state) => state === "active-unacknowledged",
  shelve: (state) => state.startsWith("active-"),
  unshelve: (state) => state.startsWith("shelved"),
};

export const isUnseen = (alert) => UNSEEN.has(alert.state);
export const isOver = (alert) => OVER.has(alert.state);
// told of, and not pressing: over, or put aside by somebody
export const isAside = (alert) => isOver(alert) || alert.state === "shelved" || alert.state === "out-of-service";
export const sounds = (alert) => alert.state === "active-unacknowledged";
/** Of the deeds that this boat's watch knows, those that make sense for this alert. */
export const deedsFor = (alert, known) => Object.keys(DEEDS).filter((deed) => known.includes(deed) && DEEDS[deed](alert.state));
