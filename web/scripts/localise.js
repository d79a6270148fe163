// Figures and times that the server wrote in °C, K and UTC, in the reader's unit and the boat's time.
import { t } from "./texts.js";
import { bare, clockTime, dayOf, difference, differenceInUnit, fixed, percent, risesInReadersUnit, shortDayOf, temperature, when, withSpread, zoneName } from "./words.js";

const number = (text) => (text === undefined || text === "" ? null : Number(text));

const spanOf = ({ low, high }) => (low === undefined ? "" : ` (${fixed(differenceInUnit(Number(low)), 0)} ${t("passages.to")} ${high === "" ? t("proof.no_end") : fixed(differenceInUnit(Number(high)), 0)})`);

export function localise() {
  for (const e of document.querySelectorAll("[data-celsius]")) e.textContent = temperature(Number(e.dataset.celsius), Number(e.dataset.digits ?? 1));
  for (const e of document.querySelectorAll("[data-bare]")) e.textContent = bare(Number(e.dataset.bare));
  for (const e of document.querySelectorAll("[data-kelvin]")) e.textContent = withSpread(Number(e.dataset.kelvin), number(e.dataset.kelvinSd));
  for (const e of document.querySelectorAll("[data-margin]")) e.textContent = difference(Number(e.dataset.margin));
  for (const e of document.querySelectorAll("[data-ratio]")) e.textContent = percent(Number(e.dataset.ratio), number(e.dataset.ratioSd));
  for (const e of document.querySelectorAll("[data-rise-said]")) e.textContent = risesInReadersUnit(e.dataset.riseSaid);
  for (const e of document.querySelectorAll("[data-rise]")) e.textContent = difference(Number(e.dataset.rise), 0) + spanOf(e.dataset);
  for (const e of document.querySelectorAll("option[data-time]")) e.textContent = when(new Date(e.dataset.time), new Date(0));
  for (const e of document.querySelectorAll("[data-zone-name]")) e.textContent = zoneName();
  for (const e of document.querySelectorAll("time[datetime]")) {
    const moment = new Date(e.dateTime);
    const after = e.dataset.after && new Date(e.dataset.after);
    if (e.dataset.form === "day") e.textContent = shortDayOf(moment);
    else e.textContent = after && dayOf(after) === dayOf(moment) ? clockTime(moment) : when(moment, new Date(0));
  }
}
