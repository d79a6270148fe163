// Numbers, temperatures and times as people read them. Every number leaves here with its unit, and the
// space between the two (NB) never breaks over a line's end.
const NB = "\u00a0";
export const isFahrenheit = () => document.documentElement.dataset.unit === "fahrenheit";
export const unitMark = () => (isFahrenheit() ? "°F" : "°C");
export const inUnit = (celsius) => (isFahrenheit() ? celsius * 1.8 + 32 : celsius);
export const fromUnit = (shown) => (isFahrenheit() ? (shown - 32) / 1.8 : shown);
const minus = (text) => text.replace("-", "−");

export const temperature = (celsius, digits = 1) => `${minus(inUnit(celsius).toFixed(digits))}${NB}${unitMark()}`;
export const bare = (celsius) => minus(inUnit(celsius).toFixed(0));
export const difference = (kelvin, digits = 1) =>
  isFahrenheit() ? `${minus((kelvin * 1.8).toFixed(digits))}${NB}°F` : `${minus(kelvin.toFixed(digits))}${NB}K`;
export const amps = (value) => `${minus(value.toFixed(Math.abs(value) < 9.95 ? 1 : 0))}${NB}A`;

export function against(ratio, sd) {
  if (ratio === null) return null;
  const percent = Math.round((ratio - 1) * 100);
  const sign = percent > 0 ? "+" : percent < 0 ? "−" : "";
  return `${sign}${Math.abs(percent)}${NB}%${sd === null ? "" : `${NB}±${Math.max(1, Math.round(sd * 200))}`}`;
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

const two = (number) => String(number).padStart(2, "0");
export const clockTime = (date) => `${two(date.getHours())}:${two(date.getMinutes())}`;
export function when(date, relativeTo = new Date()) {
  if (date.toDateString() === relativeTo.toDateString()) return clockTime(date);
  const day = date.toLocaleDateString("en-GB", { day: "numeric", month: "short", year: "numeric" });
  return `${day}, ${clockTime(date)}`;
}

// The watch writes its sentences in °C; here they follow the reader's unit.
export function inReadersUnit(text) {
  if (!isFahrenheit()) return text;
  return text
    .replace(/(-?\d+(?:\.\d+)?) °C \((-?\d+) to (-?\d+)\)/g, (_, a, b, c) => `${temperature(+a, 0)} (${bare(+b)} to ${bare(+c)})`)
    .replace(/(-?\d+(?:\.\d+)?) °C/g, (_, a) => temperature(+a, 0))
    .replace(/(-?\d+(?:\.\d+)?) K per minute/g, (_, a) => `${(+a * 1.8).toFixed(1)} °F per minute`);
}
