// Elements without markup in strings: text from the boat can never become a tag.
const SVG = "http://www.w3.org/2000/svg";

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") element.addEventListener(name, value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}
export const make = (tag, attributes = {}, ...children) => fill(document.createElement(tag), attributes, children);
export const draw = (tag, attributes = {}, ...children) => fill(document.createElementNS(SVG, tag), attributes, children);
export function refill(element, ...children) {
  element.textContent = ""; // replaceChildren() is younger than some phones
  element.append(...children);
}
export const byId = (id) => document.getElementById(id);
export function say(element, text) {
  // unchanged text is left alone, so that a screen reader does not repeat it
  if (element.textContent !== text) element.textContent = text;
}
