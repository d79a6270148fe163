// The line to lugwatch: one stream while the page is visible, polling where that fails, and the count
// of seconds since anything was heard, by this phone's own clock.
const MISSED_SECONDS = 6; // three beats
const POLL_SECONDS = 3;

export function openContact({ onNow, onBeat, onChange, onTick }) {
  let source = null;
  let heard = null; // {steady, wall}: two clocks, since one of them stops while a phone sleeps
  let sequence = null;
  let polling = false;
  let lastPoll = 0;
  const opened = stamp();

  function stamp() {
    return { steady: performance.now(), wall: Date.now() };
  }
  function since(from) {
    return Math.max((performance.now() - from.steady) / 1000, (Date.now() - from.wall) / 1000, 0);
  }
  function receive(listener) {
    return (message) => {
      heard = stamp();
      if (message.lastEventId) sequence = message.lastEventId;
      listener(JSON.parse(message.data));
      tick();
    };
  }
  function connect() {
    disconnect();
    if (!window.EventSource) return;
    source = new EventSource(sequence === null ? "/api/events" : `/api/events?after=${sequence}`);
    source.addEventListener("now", receive(onNow));
    source.addEventListener("beat", receive(onBeat));
    source.addEventListener("alert", receive(onChange));
  }
  function disconnect() {
    if (source) source.close();
    source = null;
  }
  async function poll() {
    if (polling || performance.now() - lastPoll < POLL_SECONDS * 1000) return;
    polling = true;
    lastPoll = performance.now();
    const cut = new AbortController();
    const timer = setTimeout(() => cut.abort(), 5000);
    try {
      const answer = await fetch("/api/now", { signal: cut.signal, cache: "no-store" });
      const now = await answer.json();
      heard = stamp();
      onNow(now);
      if (!source || source.readyState === 2) connect();
    } catch {
      // nothing heard: the count of seconds goes on, and says so
    } finally {
      clearTimeout(timer);
      polling = false;
    }
  }
  function tick() {
    const silence = since(heard || opened);
    const lost = heard === null ? silence > MISSED_SECONDS : silence > MISSED_SECONDS;
    if (document.visibilityState !== "hidden" && (lost || !window.EventSource)) poll();
    onTick({ lost, silence });
  }
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "hidden") return disconnect();
    tick(); // grey at once if it was long; a live page follows within a second
    connect();
  });
  window.addEventListener("pageshow", (event) => event.persisted && connect());
  window.addEventListener("pagehide", disconnect);
  if (document.visibilityState !== "hidden") connect();
  setInterval(tick, 1000);
}
