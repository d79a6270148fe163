// Runs before the first paint: a page that flashes white at night costs a watch-keeper's eyes.
const root = document.documentElement;
function kept(key, allowed) {
  try {
    const value = localStorage.getItem(key);
    return allowed.includes(value) ? value : null;
  } catch {
    return null; // storage is refused in some private windows
  }
}
const dark = window.matchMedia && matchMedia("(prefers-color-scheme: dark)").matches;
root.dataset.look = kept("look", ["day", "dark", "red"]) || (dark ? "dark" : "day");
root.dataset.unit = kept("unit", ["celsius", "fahrenheit"]) || root.dataset.unit;
root.dataset.size = kept("size", ["usual", "large"]) || "usual";
