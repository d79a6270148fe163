// All words of the page, by language: another language is another file beside en.json and a row here.
import en from "../texts/en.json";

const LANGUAGES = { en };
const words = LANGUAGES[document.documentElement.lang] || en;

export function t(key, values = {}) {
  const text = words[key] ?? en[key];
  if (text === undefined) throw new Error(`no text "${key}"`);
  return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));
}
// a word that the watch may have and this page not yet: shown as it is
export const word = (group, name) => words[`${group}.${name}`] ?? en[`${group}.${name}`] ?? name.replace(/[_-]/g, " ");
