// Keeps a page up to date: it hears the names of what changed, fetches itself, and replaces only what is marked and changed.
// Never while a finger or a key is busy, never what holds the focus or a form that was begun. Without it the page works, too.
"use strict";
(() => {
  const at = document.body.dataset.liveAt;
  if (!at || !window.EventSource || !window.fetch) return;
  const QUIET = 1500; // ms without a touch, a scroll or a key before anything moves
  const GATHER = 400; // ms in which several changes are taken as one
  const AGAIN = 30000; // ms after which a stream that was refused is asked for again
  const byId = (id) => document.getElementById(id);
  const words = byId("live-words");
  const pause = byId("live-pause");
  const names = new Set();
  let source = null;
  let timer = 0;
  let busy = 0; // when somebody last touched, scrolled or typed
  let down = false;
  let high = Number(document.body.dataset.high);
  let paused = false;
  try { paused = sessionStorage.getItem("asleft-paused") === "yes"; } catch { /* kept for this page only */ }

  const say = (text) => { if (words.textContent !== text) words.textContent = text; };
  const touched = () => { busy = Date.now(); };
  const parts = (root) => [...root.querySelectorAll("[data-live][id]")];
  const told = (part) => [...part.querySelectorAll("[data-say]")].map((one) => one.textContent.trim().replace(/\s+/g, " ")).join(" ");
  const concerns = (part) => names.has("*") || part.dataset.live.split(" ").some((name) => names.has(name));

  function held(part) {
    if (part.contains(document.activeElement)) return true;
    return [...part.querySelectorAll("input, textarea, select")].some((field) =>
      field.type === "checkbox" || field.type === "radio" ? field.checked !== field.defaultChecked
        : field.tagName === "SELECT" ? [...field.options].some((one) => one.selected !== one.defaultSelected)
        : field.value !== field.defaultValue);
  }

  function later(wait) {
    clearTimeout(timer);
    timer = setTimeout(update, wait);
  }

  async function update() {
    if (paused || document.hidden || names.size === 0) return;
    if (down || Date.now() - busy < QUIET) { later(QUIET); return; }
    const asked = new Set(names);
    const mine = parts(document);
    if (!mine.some(concerns)) { names.clear(); return; }
    let page;
    try {
      const answer = await fetch(location.href, { headers: { "X-Asleft-Live": "1" }, redirect: "error", cache: "no-store" });
      if (!answer.ok) throw new Error(String(answer.status));
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch {
      say("Not up to date: load the page again");
      return;
    }
    if (down || Date.now() - busy < QUIET) { later(QUIET); return; }
    let waits = false;
    const news = []; // what changed of what is to be heard: a region that is replaced says nothing by itself
    for (const old of mine) {
      const fresh = page.getElementById(old.id);
      if (!fresh) continue;
      for (const fold of old.querySelectorAll("details[id][open]")) {
        const same = [...fresh.querySelectorAll("details[id]")].find((one) => one.id === fold.id);
        if (same) same.open = true;
      }
      if (old.isEqualNode(fresh)) continue;
      if (held(old)) { waits = true; continue; }
      const text = told(fresh);
      if (text && text !== told(old)) news.push(text);
      old.replaceWith(document.adoptNode(fresh));
    }
    if (news.length) byId("live-said").textContent = news.join(" ");
    document.title = page.title;
    const now = Number(page.body.dataset.high || 0);
    if (now > high) byId("live-alert").textContent = "A new high alarm. See the page Now.";
    if (now === 0) byId("live-alert").textContent = "";
    high = now;
    if (waits) { say("There is news; it is shown when you leave what you are at"); later(QUIET); return; }
    for (const name of asked) names.delete(name);
    say("Live");
    if (names.size) later(GATHER);
  }

  function open() {
    if (source || paused || document.hidden) return;
    source = new EventSource(`${at}?at=${encodeURIComponent(location.pathname)}`);
    source.addEventListener("hello", () => { say("Live"); });
    source.addEventListener("changed", (event) => {
      for (const name of JSON.parse(event.data)) names.add(name);
      later(GATHER);
    });
    source.addEventListener("reload", () => { names.add("*"); later(GATHER); });
    source.addEventListener("error", () => {
      if (source && source.readyState === EventSource.CLOSED) {
        shut();
        say("Not live");
        setTimeout(() => { names.add("*"); open(); later(GATHER); }, AGAIN);
      } else {
        say("Connecting again");
      }
    });
  }

  function shut() {
    if (source) source.close();
    source = null;
  }

  function show() {
    pause.textContent = paused ? "Go on" : "Pause";
    if (paused) { shut(); say("Paused"); }
    else { names.add("*"); open(); later(GATHER); }
  }

  pause.addEventListener("click", () => {
    paused = !paused;
    try { sessionStorage.setItem("asleft-paused", paused ? "yes" : "no"); } catch { /* as above */ }
    busy = 0;
    show();
  });
  for (const name of ["pointerdown", "pointerup", "pointercancel", "keydown", "scroll", "touchmove", "wheel"]) {
    addEventListener(name, (event) => {
      if (event.target !== pause) touched();
      if (name === "pointerdown") down = true;
      if (name === "pointerup" || name === "pointercancel") down = false;
    }, { passive: true, capture: true });
  }
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) shut();
    else if (!paused) { names.add("*"); open(); later(GATHER); }
  });
  addEventListener("pagehide", shut);
  byId("live").hidden = false;
  if (paused) show(); else open();
})();
