// Passages by hand: a name and a note, one split at a time, merging with a neighbour, and undoing any of it.
import { byId, say } from "./dom.js";
import { tell } from "./talk.js";
import { t } from "./texts.js";
import { fieldOf, momentOf } from "./words.js";

async function send(path, body, pressed, controls, goTo) {
  const note = byId("hand-note");
  pressed.after(note); // where the thumb is, not above the screen
  say(note, "");
  for (const c of controls) c.disabled = true;
  try {
    const done = await tell(path, body);
    say(note, t("hand.done"));
    // the same address again would only move to its #
    if (goTo) location.assign(goTo(done));
    else location.reload();
  } catch (error) {
    for (const c of controls) c.disabled = false;
    say(note, error.locked ? t("alert.locked") : error.message);
    if (error.locked) note.append(" ", Object.assign(document.createElement("a"), { href: `/enter?to=${encodeURIComponent(location.pathname)}`, textContent: t("settings.enter") }));
  }
}

const BODY = {
  name: (form) => ({ words: form.elements.words.value }),
  note: (form) => ({ words: form.elements.words.value }),
  split: (form) => ({ at: form.elements.at.value && momentOf(form.elements.at.value).toISOString() }),
};

export function startPassageHand() {
  if (!byId("hand-note")) return;
  const controls = document.querySelectorAll("#by-hand button");
  for (const form of document.querySelectorAll("form[data-hand]")) {
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const deed = form.dataset.hand;
      send(`/api/passages/${form.dataset.passage}/${deed}`, BODY[deed](form), form.querySelector("button"), controls);
    });
  }
  const at = document.querySelector("form[data-hand=split] [name=at]");
  // from somewhere within it: the date need not be typed
  if (at) at.value = fieldOf((Date.parse(at.dataset.from) + Date.parse(at.dataset.to)) / 2);
  for (const button of document.querySelectorAll("button[data-merge]")) {
    const { passage, merge } = button.dataset;
    button.addEventListener("click", () => send(`/api/passages/${passage}/merge`, { other_id: Number(merge) }, button, controls, (done) => `/passages/${done.passage_id}`));
  }
  for (const button of document.querySelectorAll("button[data-undo]")) {
    // the part that is shown may be gone with it
    button.addEventListener("click", () => send(`/api/passage_decisions/${button.dataset.undo}/undo`, null, button, controls, () => "/passages"));
  }
}
