// The pass-phrase: typed, or brought by the code that the boat's computer showed (after the #, so that it
// stands in no log and no history of requests).
import { byId, say } from "./dom.js";
import { tell } from "./talk.js";
import { t } from "./texts.js";
import { duration } from "./words.js";

export function startEnter() {
  const form = byId("enter-form");
  if (!form) return;
  const note = byId("enter-note");
  const send = async () => {
    try {
      await tell("/api/enter", { passphrase: form.elements.passphrase.value });
      const to = new URLSearchParams(location.search).get("to") || "/";
      location.replace(/^\/(?![/\\])/.test(to) ? to : "/");
    } catch (error) {
      const said = { 422: t("enter.wrong"), 429: t("enter.too_many", { duration: duration(error.waitSeconds) }) };
      say(note, said[error.status] || error.message);
      form.elements.passphrase.select();
    }
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    send();
  });
  byId("leave")?.addEventListener("click", async () => {
    await tell("/api/leave").catch(() => {});
    location.reload();
  });
  if (location.hash.length > 1) {
    form.elements.passphrase.value = decodeURIComponent(location.hash.slice(1));
    history.replaceState(null, "", location.pathname + location.search);
    send();
  }
}
