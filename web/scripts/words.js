// Numbers, temperatures and times as people read them. Every number leaves here with its unit, and the
// space between the two (NB) never breaks over a line's end.
const NB = "\u00a0";
const root = document.documentElement;
export const isFahrenheit = () => root.dataset.unit === "fahrenheit";
export const unitMark = () => (isFahrenheit() ? "°F" : "°C");
export const differenceMark = () => (isFahrenheit() ? "°F" : "K");
export const inUnit = (celsius) => (isFahrenheit() ? celsius * 1.8 + 32 : celsius);
export const fromUnit = (shown) => (isFahrenheit() ? (shown - 32) / 1.8 : shown);
export const differenceInUnit = (kelvin) => (isFahrenheit() ? kelvin * 1.8 : kelvin);
const minus = (text) => (/^-0(\.0*)?$/.test(text) ? text.slice(1) : text.replace("-", "−"));
export const fixed = (value, digits) => minus(value.toFixed(digits));

export const temperature = (celsius, digits = 1) => `${fixed(inUnit(celsius), digits)}${NB}${unitMark()}`;
export const bare = (celsius) => fixed(inUnit(celsius), 0);
export const difference = (kelvin, digits = 1) => `${fixed(differenceInUnit(kelvin), digits)}${NB}${differenceMark()}`;
export const withSpread = (kelvin, sd) =>
  sd === null || sd === undefined ? difference(kelvin) : `${difference(kelvin)}${NB}±${NB}${fixed(differenceInUnit(2 * sd), 1)}`;
export const amps = (value) => `${fixed(value, Math.abs(value) < 9.95 ? 1 : 0)}${NB}A`;
export const ampHours = (value) => `${fixed(value, 0)}${NB}Ah`;
export const bytes = (value) => (value >= 1e9 ? `${fixed(value / 1e9, 1)}${NB}GB` : `${fixed(value / 1e6, 1)}${NB}MB`);

export function percent(ratio, sd) {
  if (ratio === null) return null;
  const whole = Math.round((ratio - 1) * 100);
  const sign = whole > 0 ? "+" : whole < 0 ? "−" : "";
  return `${sign}${Math.abs(whole)}${NB}%${sd === null || sd === undefined ? "" : `${NB}±${Math.max(1, Math.round(sd * 200))}`}`;
}

// ± is two deviations; both are rounded to its second digit
export function microOhms(ohms, sd) {
  const spread = 2e6 * (sd || 0);
  const step = spread > 0 ? 10 ** (Math.floor(Math.log10(spread)) - 1) : 1;
  const rounded = (micro) => (Math.round(micro / step) * step).toFixed(step < 1 ? 1 : 0);
  return `${rounded(ohms * 1e6)}${NB}µΩ${spread > 0 ? `${NB}±${NB}${rounded(spread)}` : ""}`;
}

export function duration(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  if (whole < 90) return `${whole}${NB}s`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 90) return `${minutes}${NB}min`;
  const hours = Math.floor(minutes / 60);
  if (hours < 48) return minutes % 60 ? `${hours} h ${String(minutes % 60).padStart(2, "0")} min` : `${hours} h`;
  return hours % 24 ? `${Math.floor(hours / 24)} d ${hours % 24} h` : `${hours / 24} d`;
}

// ---- times: in the boat's zone where it is known, so that every phone on board says the same ----

const zone = root.dataset.zone || undefined;
function format(options) {
  try {
    return new Intl.DateTimeFormat("en-GB", { ...options, timeZone: zone });
  } catch {
    return new Intl.DateTimeFormat("en-GB", options); // a zone that this phone does not know
  }
}
const clock = format({ hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
const day = format({ day: "numeric", month: "short", year: "numeric" });
const shortDay = format({ day: "numeric", month: "short" });
const named = format({ timeZoneName: "short" });

export const clockTime = (date) => clock.format(date);
export const dayOf = (date) => day.format(date);
export const shortDayOf = (date) => shortDay.format(date);
export const zoneName = () => `${zone ? `${zone}, ` : ""}${named.formatToParts(new Date()).find((p) => p.type === "timeZoneName")?.value || "UTC"}`;
export function when(date, relativeTo = new Date()) {
  if (dayOf(date) === dayOf(relativeTo)) return clockTime(date);
  return `${dayOf(date)}, ${clockTime(date)}`;
}

const parts = format({ year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric", hourCycle: "h23" });
function asIfUtc(ms) {
  const of = Object.fromEntries(parts.formatToParts(new Date(ms)).map((p) => [p.type, Number(p.value)]));
  return Date.UTC(of.year, of.month - 1, of.day, of.hour, of.minute, of.second);
}
/** What a time field holds, which knows no zone, as a moment: it is meant in the zone that the page shows. */
export function momentOf(fieldText) {
  const wanted = Date.parse(`${fieldText}${fieldText.length === 16 ? ":00" : ""}Z`);
  // twice, since the first guess may stand on the other side of a change of the clocks
  const guess = wanted - (asIfUtc(wanted) - wanted);
  return new Date(guess - (asIfUtc(guess) - wanted));
}

/** A moment [ms] as a time field holds it, in the zone that the page shows. */
export const fieldOf = (ms) => new Date(asIfUtc(ms)).toISOString().slice(0, 19);

const unparted = (text) => text.replace(/(\d) (?=(?:°[CF]|K|A|V|mV|µΩ|%|min|h|s|d)(?![\p{L}\d]))/gu, `$1${NB}`);

// The watch writes its sentences in °C; here they follow the reader's unit, and no line ends between figure and unit.
export const inReadersUnit = (text) => unparted(translated(text));

function translated(text) {
  if (!isFahrenheit()) return text;
  return text
    .replace(/(-?\d+(?:\.\d+)?) °C \((-?\d+) to (-?\d+)\)/g, (_, a, b, c) => `${temperature(+a, 0)} (${bare(+b)} to ${bare(+c)})`)
    .replace(/(-?\d+(?:\.\d+)?) °C/g, (_, a) => temperature(+a, 0))
    .replace(/(-?\d+(?:\.\d+)?) K per minute/g, (_, a) => `${(+a * 1.8).toFixed(1)} °F per minute`);
}

const rise = (kelvin) => fixed(differenceInUnit(kelvin), 0);
/** A sentence of a proof test: its rises are differences, its surroundings a temperature, its times the boat's. */
export function risesInReadersUnit(sentence) {
  const text = sentence.replace(/\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ/g, (moment) => when(new Date(moment), new Date(0)));
  if (!isFahrenheit()) return unparted(text);
  return unparted(translated(text)
    .replace(/(-?\d+) K \((-?\d+) to (-?\d+|no end in sight)\)/g, (_, a, b, c) => `${rise(+a)} °F (${rise(+b)} to ${/^-?\d/.test(c) ? rise(+c) : c})`)
    .replace(/(-?\d+) K\b/g, (_, a) => `${rise(+a)} °F`));
}
