// Taking a joint out of service while somebody works on it, and putting it back.
import { byId, make, refill, say } from "./dom.js";
import { tell } from "./talk.js";
import { t } from "./texts.js";

let asked = null; // the deed that was sent and has not yet come back

export function showService(joint, deeds) {
  const place = byId("service");
  if (!place || !joint || !deeds.includes("out_of_service")) return;
  const out = joint.state === "out_of_service";
  const deed = out ? "back_in_service" : "out_of_service";
  if (asked !== null && asked !== deed) asked = null; // it came to pass
  if (place.dataset.deed === deed && asked === null && place.dataset.waits !== "yes") return;
  const note = make("span", { role: "status" }, asked ? t("alert.noted") : "");
  const button = make("button", { type: "button", disabled: asked !== null, "data-deed": deed }, t(`deed.${deed}`));
  button.addEventListener("click", async () => {
    button.disabled = true;
    try {
      await tell(`/api/joints/${encodeURIComponent(joint.joint)}/${deed}`);
      asked = deed;
      place.dataset.waits = "yes";
      say(note, t("alert.noted"));
    } catch (error) {
      button.disabled = false;
      say(note, error.locked ? t("alert.locked") : error.message);
    }
  });
  Object.assign(place.dataset, { deed, waits: asked ? "yes" : "no" });
  refill(place, button, " ", note, make("p", { class: "quiet" }, t("joint.service_note")));
}
