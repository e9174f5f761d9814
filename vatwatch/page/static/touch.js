// What a script adds: the live part renews itself, a button cannot be pressed twice by a shaking hand, and lost
// contact is said aloud. Everything works without this file.
"use strict";
(() => {
  const EVERY_MS = 10000;
  const LOST_AFTER_MS = 25000;
  let heardAt = Date.now();

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.dataset.sent) {
      event.preventDefault();
      return;
    }
    form.dataset.sent = "yes";
    for (const button of form.querySelectorAll("button")) button.setAttribute("aria-disabled", "true");
  });
  window.addEventListener("pageshow", (event) => {
    // Shown again from the browser's memory: the forms carry numbers already used, so ask for new ones.
    if (event.persisted) location.reload();
  });

  const clock = (ms) => new Date(ms).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });

  function sayLost() {
    const lost = document.getElementById("lost");
    const silent = Date.now() - heardAt > LOST_AFTER_MS;
    lost.hidden = !silent;
    document.body.classList.toggle("out-of-touch", silent);
    if (silent) lost.textContent = `This screen lost touch with vatwatch at ${clock(heardAt)}. What it shows is old.`;
  }

  async function renew() {
    const live = document.getElementById("live");
    if (!live || document.hidden || live.contains(document.activeElement)) return;
    try {
      const answer = await fetch(location.pathname, { signal: AbortSignal.timeout(8000) });
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("live");
      if (!fresh) return;
      if (!live.contains(document.activeElement)) live.replaceWith(document.adoptNode(fresh));
      heardAt = Date.now();
    } catch {
      // Said by sayLost once it has lasted.
    }
  }
  if (document.getElementById("live")) {
    setInterval(() => renew().then(sayLost), EVERY_MS);
    document.addEventListener("visibilitychange", () => renew().then(sayLost));
  }
})();
