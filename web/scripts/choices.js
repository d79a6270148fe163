// Light of the page and temperature unit: the reader's own, kept on this phone only.
export function startChoices(changed) {
  for (const key of ["look", "unit"]) {
    const buttons = [...document.querySelectorAll(`[data-${key}-choice]`)];
    const choice = (button) => button.dataset[`${key}Choice`];
    const press = () => buttons.forEach((b) => b.setAttribute("aria-pressed", String(choice(b) === document.documentElement.dataset[key])));
    for (const button of buttons) {
      button.addEventListener("click", () => {
        document.documentElement.dataset[key] = choice(button);
        try { localStorage.setItem(key, choice(button)); } catch { /* refused in some private windows */ }
        press();
        changed();
      });
    }
    press();
  }
}
