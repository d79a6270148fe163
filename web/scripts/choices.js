// Light of the page, temperature unit, size of type: the reader's own, kept on this phone only.
export const CHANGED = "choices";

export function startChoices() {
  for (const key of ["look", "unit", "size"]) {
    const buttons = [...document.querySelectorAll(`[data-${key}-choice]`)];
    const choice = (button) => button.dataset[`${key}Choice`];
    const press = () => buttons.forEach((b) => b.setAttribute("aria-pressed", String(choice(b) === document.documentElement.dataset[key])));
    for (const button of buttons) {
      button.addEventListener("click", () => {
        document.documentElement.dataset[key] = choice(button);
        try { localStorage.setItem(key, choice(button)); } catch { /* refused in some private windows */ }
        press();
        document.dispatchEvent(new CustomEvent(CHANGED));
      });
    }
    press();
  }
}

/** Calls `again` when a choice was made, or the width of the page has changed. */
export function onLookChange(again) {
  document.addEventListener(CHANGED, again);
  let width = window.innerWidth;
  // phones call it a resize when their address bar hides
  window.addEventListener("resize", () => {
    if (window.innerWidth !== width) {
      width = window.innerWidth;
      again();
    }
  });
}
