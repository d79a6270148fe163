// Passages by hand: a name and a note, one split at a time, merging with a neighbour, and undoing any of it.
import { byId, say } from "./dom.js";
import { tell } from "./talk.js";
import { t } from "./texts.js";
import { momentOf } from "./words.js";

async function send(path, body, note, controls, goTo) {
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
  const note = byId("hand-note");
  if (!note) return;
  const controls = document.querySelectorAll("#by-hand button");
  for (const form of document.querySelectorAll("form[data-hand]")) {
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const deed = form.dataset.hand;
      send(`/api/passages/${form.dataset.passage}/${deed}`, BODY[deed](form), note, controls);
    });
  }
  for (const button of document.querySelectorAll("button[data-merge]")) {
    const { passage, merge } = button.dataset;
    button.addEventListener("click", () => send(`/api/passages/${passage}/merge`, { other_id: Number(merge) }, note, controls, (done) => `/passages/${done.passage_id}`));
  }
  for (const button of document.querySelectorAll("button[data-undo]")) {
    // the part that is shown may be gone with it
    button.addEventListener("click", () => send(`/api/passage_decisions/${button.dataset.undo}/undo`, null, note, controls, () => "/passages"));
  }
}
