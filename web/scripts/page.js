// Which page this is, and what every page has: the live line, the choices, the sound.
import { onLookChange, startChoices } from "./choices.js";
import { startEnter } from "./enter.js";
import { startJournal } from "./journal.js";
import { startLive } from "./live.js";
import { localise } from "./localise.js";
import { nowChanged, showNow } from "./now.js";
import { startPassageHand } from "./passage_hand.js";
import { startSound } from "./sound.js";
import { startWatchman } from "./watchman.js";

const page = document.body.dataset.page;
const isNow = page === "now";
if (page !== "enter" || document.body.dataset.live === "yes") {
  const again = startLive({ show: isNow ? showNow : () => {}, change: isNow ? nowChanged : () => {} });
  onLookChange(again);
}
localise();
onLookChange(localise);
startChoices();
startSound();
startJournal();
startPassageHand();
startEnter();
if (page === "watchman") startWatchman();
document.getElementById("print")?.addEventListener("click", () => window.print());
