// What a script adds to every screen: each form gets a number and this session's token, timers run, and a button cannot
// be pressed twice by a shaking hand. Everything works without this file.
"use strict";
window.vatwatch = (() => {
  // Long enough to take back what was logged; the list of the day keeps that button.
  const DONE_MS = 20000;
  const token = () => document.querySelector("meta[name=vatwatch-token]").content;
  const freshNumber = () =>
    [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

  // A drawing that every phone gets carries no numbers: each phone puts its own there.
  function dress(root) {
    for (const field of root.querySelectorAll("input[name=entry_id], input[name=action_id]"))
      if (field.value.length < 8) field.value = freshNumber();
    for (const field of root.querySelectorAll("input[name=csrf]")) field.value = token();
    for (const left of root.querySelectorAll("[data-left-ms]")) left.dataset.since = performance.now();
    const done = document.getElementById("done");
    if (done && !done.dataset.seen) {
      done.dataset.seen = "yes";
      setTimeout(() => done.remove(), DONE_MS);
    }
    tick();
  }

  function spanWords(ms) {
    const seconds = Math.round(ms / 1000);
    return seconds < 90 ? `${seconds}\u00a0s` : `${Math.floor(seconds / 60)}\u00a0min`;
  }

  function tick() {
    for (const left of document.querySelectorAll("[data-left-ms]")) {
      const ms = Number(left.dataset.leftMs) - (performance.now() - Number(left.dataset.since));
      const over = ms <= 0;
      const text = over ? (ms > -60000 ? "time is up" : `${spanWords(-ms)} over`) : `${spanWords(ms)} left`;
      if (left.textContent !== text) left.textContent = text;
      if (over && !left.classList.contains("over")) {
        left.classList.add("over");
        if (ms > -2000) {
          document.getElementById("told").textContent = `${left.dataset.whose}: time is up.`;
          if (navigator.vibrate) navigator.vibrate([300, 150, 300]);
        }
      }
    }
  }

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.dataset.sent) {
      event.preventDefault();
      event.stopImmediatePropagation();
      return;
    }
    form.dataset.sent = "yes";
    for (const button of form.querySelectorAll("button")) button.setAttribute("aria-disabled", "true");
  });
  window.addEventListener("pageshow", (event) => {
    // Shown again from the browser's memory: the forms carry numbers already used, so ask for new ones.
    if (event.persisted) location.reload();
  });
  setInterval(tick, 1000);
  document.documentElement.classList.add("scripted");
  dress(document);
  return { dress, token, freshNumber };
})();
