// Writing an entry: only the fields that its kind asks for, sent as they were typed; the boat checks them.
import { byId, say } from "./dom.js";
import { tell } from "./talk.js";
import { t } from "./texts.js";
import { fixed, inReadersUnit, microOhms, momentOf, temperature } from "./words.js";

export function measurement(entry) {
  return t("journal.told.millivolts", {
    millivolts: `${fixed(entry.volts * 1000, 1)}\u00a0mV`, amps: `${fixed(entry.amps, 0)}\u00a0A`,
    celsius: entry.celsius === null ? "" : t("journal.told.at", { celsius: temperature(entry.celsius, 0) }),
    ohms: microOhms(entry.volts / entry.amps, null),
  });
}

function showFields(form) {
  const kind = form.elements.kind.value;
  for (const field of form.querySelectorAll("[data-for]")) {
    const wanted = field.dataset.for.split(" ").includes(kind);
    field.hidden = !wanted;
    for (const input of field.querySelectorAll("input, textarea")) input.disabled = !wanted;
  }
  say(byId("journal-follows"), t(`journal.follows.${kind}`));
}

export function startJournal() {
  for (const e of document.querySelectorAll("[data-entry]")) {
    const entry = JSON.parse(e.dataset.entry);
    e.textContent = entry.kind === "millivolts" ? measurement(entry) : t(`journal.told.${entry.kind}`);
  }
  for (const e of document.querySelectorAll("[data-said]")) e.textContent = inReadersUnit(e.dataset.said);
  const form = byId("journal-form");
  if (!form) return;
  form.addEventListener("change", () => showFields(form));
  showFields(form);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const note = byId("journal-note");
    const body = Object.fromEntries([...new FormData(form)].filter(([, value]) => value !== ""));
    if (body.at) body.at = momentOf(body.at).toISOString();
    const button = form.querySelector("button[type=submit]");
    button.disabled = true;
    try {
      const written = await tell("/api/journal", body);
      say(note, t("journal.sent", { entry_id: written.entry_id }));
      setTimeout(() => location.reload(), 1200);
    } catch (error) {
      button.disabled = false;
      say(note, error.locked ? t("alert.locked") : error.message);
      if (error.locked) note.append(" ", Object.assign(document.createElement("a"), { href: `/enter?to=${encodeURIComponent(location.pathname)}`, textContent: t("settings.enter") }));
    }
  });
}
