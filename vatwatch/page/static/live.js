// The live parts of a screen: drawn by vatwatch at every commit and put in place here, and lost contact is said aloud.
"use strict";
(() => {
  const EVERY_MS = 10000;
  const LOST_AFTER_MS = 25000;
  const PRESS_MS = 400;
  const TRY_AGAIN_MS = 15000;
  let heardAt = Date.now();
  let source = null;
  let looking = "";
  const waiting = new Map();

  const clock = (ms) => new Date(ms).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });

  function sayLost() {
    const lost = document.getElementById("lost");
    const silent = Boolean(document.getElementById("live")) && Date.now() - heardAt > LOST_AFTER_MS;
    lost.hidden = !silent;
    document.body.classList.toggle("out-of-touch", silent);
    if (silent) lost.textContent = `This screen lost touch with vatwatch at ${clock(heardAt)}. What it shows is old.`;
  }

  // Nothing is swapped under a finger or half-filled; what is only open or focused is opened and focused again.
  let pressedAt = -Infinity;
  let pressing = false;
  document.addEventListener("pointerdown", () => { pressing = true; }, true);
  for (const end of ["pointerup", "pointercancel"])
    document.addEventListener(end, () => { pressing = false; pressedAt = performance.now(); }, true);
  const changed = (field) =>
    field.matches("select")
      ? [...field.options].some((option) => option.selected !== option.defaultSelected) && field.selectedIndex > 0
      : field.value !== field.defaultValue;
  const inUse = (place) =>
    pressing || performance.now() - pressedAt < PRESS_MS || place.querySelector("form[data-sent]") !== null ||
    [...place.querySelectorAll("input:not([type=hidden]), select, textarea")].some(
      (field) => field === document.activeElement || changed(field));
  const named = (node) => `${node.tagName} ${node.textContent}`;

  function put(name, html) {
    const place = document.getElementById(name);
    if (!place) return;
    if (inUse(place)) {
      waiting.set(name, html);
      return;
    }
    waiting.delete(name);
    const open = new Set([...place.querySelectorAll("details[open] > summary")].map(named));
    const focused = place.contains(document.activeElement) ? named(document.activeElement) : "";
    place.innerHTML = html;
    for (const summary of place.querySelectorAll("summary")) if (open.has(named(summary))) summary.parentElement.open = true;
    if (focused)
      [...place.querySelectorAll("a, button, summary")].find((node) => named(node) === focused)?.focus({ preventScroll: true });
    vatwatch.dress(place);
  }
  const putWaiting = () => {
    for (const [name, html] of [...waiting]) put(name, html);
  };

  function heard() {
    const before = heardAt;
    heardAt = Date.now();
    if (heardAt - before > LOST_AFTER_MS) document.dispatchEvent(new Event("vatwatch:heard"));
    sayLost();
  }

  function look() {
    const wanted = document.hidden ? "" : document.getElementById("live")?.dataset.look || "";
    if (wanted === looking && (source === null) === (wanted === "")) return;
    source?.close();
    waiting.clear();
    looking = wanted;
    source = wanted ? new EventSource(wanted) : null;
    if (!source) return;
    const mine = source;
    mine.onmessage = (event) => {
      if (mine !== source) return;
      for (const [name, html] of Object.entries(JSON.parse(event.data))) put(name, html);
      heard();
    };
    mine.onerror = () => {
      if (mine !== source || mine.readyState !== EventSource.CLOSED) return;
      // Refused, not only cut off: the browser would not try again by itself.
      source = null;
      setTimeout(look, TRY_AGAIN_MS);
    };
  }

  // Where the stream is refused the screen still renews itself, more slowly.
  async function renew() {
    const live = document.getElementById("live");
    if (!live || document.hidden || Date.now() - heardAt < EVERY_MS) return;
    try {
      const answer = await fetch(location.pathname + location.search, { signal: AbortSignal.timeout(8000) });
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const name of ["live", "hand", "journal", "probes"]) {
        const part = fresh.getElementById(name);
        if (part) put(name, part.innerHTML);
      }
      heard();
    } catch {
      // Said by sayLost once it has lasted.
    }
  }

  look();
  document.addEventListener("visibilitychange", () => {
    look();
    renew().then(sayLost);
  });
  document.addEventListener("vatwatch:shown", look);
  setInterval(putWaiting, 500);
  setInterval(() => renew().then(sayLost), EVERY_MS);
})();
