// Which page this is, and the choices that every page has.
import { startChoices } from "./choices.js";
import { startNow } from "./now.js";
import { clockTime, difference, temperature, when } from "./words.js";

function localise() {
  for (const e of document.querySelectorAll("[data-celsius]")) e.textContent = temperature(Number(e.dataset.celsius));
  for (const e of document.querySelectorAll("[data-kelvin]")) {
    const sd = e.dataset.kelvinSd;
    e.textContent = difference(Number(e.dataset.kelvin)) + (sd ? `\u00a0±${difference(2 * Number(sd)).split("\u00a0")[0]}` : "");
  }
  for (const e of document.querySelectorAll("time[datetime]")) {
    const moment = new Date(e.dateTime);
    const sameDay = e.dataset.after && new Date(e.dataset.after).toDateString() === moment.toDateString();
    e.textContent = sameDay ? clockTime(moment) : when(moment, new Date(0));
  }
}

const repaint = document.body.dataset.page === "now" ? startNow() : localise;
startChoices(repaint);
if (repaint === localise) localise();
