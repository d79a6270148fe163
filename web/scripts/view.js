// Which stretch of time the charts show: moved and zoomed by finger, mouse, wheel, keys and buttons.
// Times in seconds. Not here: what is drawn (lines), and where it comes from.
const SHORTEST = 60;
const LONGEST = 50 * 366 * 86400;

export function makeView(span, changed) {
  const view = { from: 0, to: 1, follow: true };
  const bound = () => Math.min(LONGEST, Math.max(86400, (span.to - span.from) * 1.5));

  function set(from, to, follow = false) {
    const length = Math.min(bound(), Math.max(SHORTEST, to - from));
    const middle = (from + to) / 2;
    let start = middle - length / 2;
    // some of the record stays in sight, whatever a finger does
    start = Math.min(start, span.to - length * 0.1);
    start = Math.max(start, span.from - length * 0.9);
    view.from = start;
    view.to = start + length;
    view.follow = follow;
    changed();
  }
  const move = (share) => set(view.from + share * (view.to - view.from), view.to + share * (view.to - view.from));
  const zoom = (factor, at = 0.5) => {
    const length = Math.min(bound(), Math.max(SHORTEST, (view.to - view.from) * factor));
    const fixed = view.from + at * (view.to - view.from);
    set(fixed - at * length, fixed + (1 - at) * length, view.follow && at === 1);
  };
  const last = (seconds) => set(span.to - seconds, span.to, true);
  const all = () => set(span.from, Math.max(span.to, span.from + SHORTEST), true);
  const newest = () => last(view.to - view.from);
  return Object.assign(view, { set, move, zoom, last, all, newest });
}

/** Fingers and mouse on `place`; `plotOf(x)` gives the share of the plot's width that a place on screen has. */
export function startGestures(place, view, shareAt, widthOf) {
  const down = new Map();
  place.addEventListener("pointerdown", (e) => {
    if (e.pointerType === "mouse" && e.button !== 0) return;
    down.set(e.pointerId, e.clientX);
  });
  place.addEventListener("pointermove", (e) => {
    if (!down.has(e.pointerId)) return;
    const before = down.get(e.pointerId);
    if (down.size === 1) {
      const share = (before - e.clientX) / widthOf();
      if (Math.abs(before - e.clientX) < 1) return;
      place.setPointerCapture?.(e.pointerId);
      view.move(share);
    } else if (down.size === 2) {
      const [other] = [...down].filter(([id]) => id !== e.pointerId).map(([, x]) => x);
      const apart = Math.abs(before - other);
      const now = Math.abs(e.clientX - other);
      if (apart > 8 && now > 8) view.zoom(apart / now, Math.min(1, Math.max(0, shareAt((other + e.clientX) / 2))));
    }
    down.set(e.pointerId, e.clientX);
  });
  const up = (e) => down.delete(e.pointerId);
  for (const name of ["pointerup", "pointercancel", "pointerleave"]) place.addEventListener(name, up);
  place.addEventListener("wheel", (e) => {
    e.preventDefault();
    if (Math.abs(e.deltaX) > Math.abs(e.deltaY)) view.move(e.deltaX / widthOf());
    else view.zoom(Math.exp(Math.max(-1, Math.min(1, e.deltaY / 300))), Math.min(1, Math.max(0, shareAt(e.clientX))));
  }, { passive: false });
  place.addEventListener("keydown", (e) => {
    const act = { ArrowLeft: () => view.move(-0.2), ArrowRight: () => view.move(0.2), "+": () => view.zoom(0.6), "=": () => view.zoom(0.6), "-": () => view.zoom(1.6), Home: () => view.all(), End: () => view.newest() }[e.key];
    if (!act) return;
    e.preventDefault();
    act();
  });
}
