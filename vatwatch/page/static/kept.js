// Nothing logged is lost with the connection: a form is first kept in this browser, then sent, and forgotten only when
// vatwatch has answered. Sent twice it still counts once, since the form's number goes with it.
"use strict";
(() => {
  const KEY = "vatwatch-kept";
  const MOST = 200;
  const EVERY_MS = 10000;
  const OLD_S = 3;
  const sending = new Set();

  function read() {
    try {
      return JSON.parse(localStorage.getItem(KEY)) || [];
    } catch {
      return [];
    }
  }
  const write = (items) => localStorage.setItem(KEY, JSON.stringify(items));
  const forget = (item) => write(read().filter((other) => other.id !== item.id));

  // "ok", "refused" (with the screen that says why), or "lost": no connection, or nobody who may take it now.
  async function send(item) {
    const body = new URLSearchParams(item.fields.filter(([name]) => name !== "csrf"));
    body.set("csrf", vatwatch.token());
    const waited = (Date.now() - item.pressed) / 1000;
    if (waited > OLD_S) body.set("waited_s", waited.toFixed(1));
    let answer;
    try {
      answer = await fetch(item.action, { method: "POST", body, signal: AbortSignal.timeout(12000) });
    } catch {
      return { outcome: "lost" };
    }
    if (answer.status === 401 || answer.status === 403) return { outcome: "lost", why: "log in" };
    if ([408, 429, 502, 504].includes(answer.status)) return { outcome: "lost" };
    const screen = new DOMParser().parseFromString(await answer.text(), "text/html");
    return { outcome: answer.ok ? "ok" : "refused", status: answer.status, screen, url: answer.url };
  }

  function show(screen, url) {
    const main = screen.querySelector("main");
    if (!main) return location.assign(url);
    document.querySelector("main").replaceWith(document.adoptNode(main));
    document.title = screen.title;
    history.replaceState(null, "", url);
    vatwatch.dress(main);
    document.dispatchEvent(new Event("vatwatch:shown"));
    const first = main.querySelector("[role=alert]") || document.getElementById("done");
    if (!first) return undefined;
    if (first.getAttribute("role") === "alert") first.scrollIntoView({ block: "center" });
    else first.focus({ preventScroll: true });
    return undefined;
  }

  function say(extra = "", needsLogin = false) {
    const place = document.getElementById("kept");
    const waiting = read();
    place.hidden = !waiting.length && !extra;
    place.replaceChildren();
    if (extra) place.append(Object.assign(document.createElement("p"), { textContent: extra }));
    if (!waiting.length) return;
    const words = waiting.map((item) => item.words).join("; ");
    const line = needsLogin
      ? `Kept on this phone until you log in: ${words}.`
      : `No connection. Kept on this phone, and sent once it is back: ${words}.`;
    place.append(Object.assign(document.createElement("p"), { textContent: line }));
    if (needsLogin) {
      const link = Object.assign(document.createElement("a"), { href: "/login", textContent: "Log in", className: "press" });
      place.append(link);
    }
  }

  function wordsOf(form, submitter) {
    const heading = form.closest("article, details, .feed, form.stir")?.querySelector("h3, summary")?.textContent || "";
    const button = (submitter || form.querySelector("button")).textContent;
    return `${heading} ${button}`.replace(/\s+/g, " ").trim().slice(0, 80);
  }

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (event.defaultPrevented || !form.matches("form[data-keep]")) return;
    const fields = [...new FormData(form)].filter(([, value]) => typeof value === "string");
    const submitter = event.submitter;
    if (submitter?.name) fields.push([submitter.name, submitter.value]);
    const id = fields.find(([name]) => name === "entry_id" || name === "action_id")?.[1];
    const item = { id, action: form.getAttribute("action"), fields, pressed: Date.now(), words: wordsOf(form, submitter) };
    const items = read();
    if (!id || items.length >= MOST) return;
    try {
      write([...items, item]);
    } catch {
      return; // no room to keep it: let the browser send it as it would without this script
    }
    event.preventDefault();
    sending.add(id);
    const sent = await send(item);
    sending.delete(id);
    if (sent.outcome === "lost") {
      say("", sent.why === "log in");
      release(form);
      return;
    }
    forget(item);
    say();
    show(sent.screen, sent.url);
  });

  // The form may be used again at once, for something further: what it held is kept, so it needs another number.
  function release(form) {
    delete form.dataset.sent;
    for (const button of form.querySelectorAll("button")) button.removeAttribute("aria-disabled");
    for (const field of form.querySelectorAll("input[name=entry_id], input[name=action_id]"))
      field.value = vatwatch.freshNumber();
  }

  let flushing = false;
  async function flush() {
    if (flushing) return;
    flushing = true;
    const told = [];
    let needsLogin = false;
    let lost = false;
    try {
      for (const item of read()) {
        if (sending.has(item.id)) continue;
        const sent = await send(item);
        if (sent.outcome === "lost" || sent.status >= 500) {
          needsLogin ||= sent.why === "log in";
          lost = true;
          break;
        }
        forget(item);
        const why = sent.screen.querySelector("[role=alert]")?.textContent.trim() || "";
        told.push(sent.outcome === "ok" ? `Sent: ${item.words}.` : `Not taken: ${item.words}. ${why}`);
      }
    } finally {
      flushing = false;
    }
    if (told.length || lost) say(told.join(" "), needsLogin);
  }
  window.addEventListener("online", flush);
  document.addEventListener("vatwatch:heard", flush);
  setInterval(() => read().length && flush(), EVERY_MS);
  if (read().length) flush();
})();
