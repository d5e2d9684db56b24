// Keeps a page up to date: it hears the names of what changed, fetches itself, and replaces only what is marked and changed.
// Never while a finger or a key is busy, never what holds the focus or a form that was begun. Without it the page works, too.
"use strict";
(() => {
  const at = document.body.dataset.liveAt;
  if (!at || !window.EventSource || !window.fetch) return;
  const QUIET = 1500; // ms without a touch, a scroll or a key before anything moves
  const LATE = 3000; // ms that a first look waits for the stream: one before it would miss what is told between the two
  const GATHER = 400; // ms in which several changes are taken as one
  const AGAIN = 30000; // ms after which a stream that was refused is asked for again
  const SETTLE = 400; // ms after something moved in which a tap that begins may be meant for what stood there before
  const LEAVE = 15000; // ms after which news for a form that was begun is looked at again, unless it is left before
  const LOST = 10000; // ms without a stream after which the page says so on top
  const SILENT = 25000; // ms without a word after which a stream is taken as lost: there is one every 15 s
  const GONE = 100; // ms for which what was said is gone before it is said again: a screen reader hears a change of it
  const ACTS = "a[href], button, summary, label, input, select, textarea";
  const byId = (id) => document.getElementById(id);
  const words = byId("live-words");
  const pause = byId("live-pause");
  const top = byId("live-lost");
  const unsent = byId("live-unsent");
  // What runs on this computer is reached without any network, of which alone the browser tells.
  const here = /^(.*\.)?localhost$|^127(\.\d+){3}$|^\[::1\]$/.test(location.hostname);
  const names = new Set();
  const folded = new Set(); // ids of what somebody opened or closed
  const down = new Set(); // pointers that are down
  let source = null;
  let timer = 0; // for the next look at what changed
  let due = 0; // when that is
  let refused = 0; // for the next try where a stream was refused
  let doubt = 0; // for what is done where nothing is heard
  let lines = 0; // for the line on top
  let busy = -Infinity; // when somebody last touched, scrolled or typed; by the clock that nobody sets, as the next two
  let began = 0; // when a pointer last went down
  let moved = -Infinity; // when something was last replaced
  let stood = new Set(); // what could be tapped just before, and where
  let heard = Date.now(); // when the stream was last there; the page itself is as old as this at most
  let knows = document.body.dataset.told || ""; // the last change that the page as it was loaded knows of; empty once that is in doubt
  let failing = false;
  let lost = false;
  let asking = false;
  let waits = false; // whether there is news for what is held
  let kept = false; // whether that is news for a form that was begun
  let high = Number(document.body.dataset.high);
  let paused = false;
  try { paused = sessionStorage.getItem("asleft-paused") === "yes"; } catch { /* kept for this page only */ }

  // The line at the foot is heard when it changes, and not when it comes with the page.
  const say = (text) => { if (words.textContent !== text) { words.setAttribute("aria-live", "polite"); words.textContent = text; } };
  // The same words a second time are no change that is heard: they go, and come again.
  const speak = (id, text) => {
    byId(id).textContent = "";
    if (text) setTimeout(() => { byId(id).textContent = text; }, GONE);
  };
  const touched = () => { busy = performance.now(); };
  const restless = () => down.size > 0 || performance.now() - busy < QUIET;
  const parts = (root) => [...root.querySelectorAll("[data-live][id]")];
  const told = (part) => [...part.querySelectorAll("[data-say]")].map((one) => one.textContent.trim().replace(/\s+/g, " ")).join(" ");
  const concerns = (part) => names.has("*") || part.dataset.live.split(" ").some((name) => names.has(name));

  function begun(part, fresh) {
    // What came back refused holds what was typed, for as long as it can be sent again.
    if (part.querySelector("form[data-begun], form .wrong") && fresh.querySelector("form")) return true;
    return [...part.querySelectorAll("input, textarea, select")].some((field) =>
      field.type === "checkbox" || field.type === "radio" ? field.checked !== field.defaultChecked
        : field.tagName === "SELECT" ? [...field.options].some((one) => one.selected !== one.defaultSelected)
        : field.value !== field.defaultValue);
  }

  // What an element does, and where it stands on the screen.
  function place(one) {
    const box = one.getBoundingClientRect();
    const form = one.form ? [one.form.getAttribute("action"), ...[...one.form.querySelectorAll("[type=hidden]")].map((field) => field.value)] : [];
    return [Math.round(box.left), Math.round(box.top), one.outerHTML, ...form].join("\n");
  }

  // Make an element as the fresh one is, and leave in the page what is equal: a screen reader has its place there, and begins
  // anew where that is taken away. What stands in it is known again by its id, or else by its order among its like; what differs
  // in itself is replaced whole, and so is a form.
  function mend(old, fresh) {
    if (old.isEqualNode(fresh)) return;
    if (old.localName === "form" || !old.cloneNode(false).isEqualNode(fresh.cloneNode(false))) { old.replaceWith(fresh); return; }
    const isText = (node) => node.nodeType === Node.TEXT_NODE;
    const gone = [...old.children];
    const twins = new Map();
    for (const one of fresh.children) {
      const found = gone.findIndex((other) => other.localName === one.localName && other.id === one.id);
      if (found >= 0) twins.set(one, gone.splice(found, 1)[0]);
    }
    for (const one of gone) one.remove();
    let at = old.firstChild; // all before it is as it should be
    const drop = () => { const next = at.nextSibling; at.remove(); at = next; };
    for (const one of [...fresh.childNodes]) {
      const twin = twins.get(one);
      // Text goes out of the way of an element, and of two elements the one that goes further down: the others stay in the page.
      while (at && at !== twin && !isText(one) && (isText(at) || (twin && at.nextElementSibling === twin))) drop();
      if (at && (at === twin || (isText(at) && isText(one)))) {
        if (isText(one) && at.data !== one.data) at.data = one.data;
        at = at.nextSibling;
      } else {
        old.insertBefore(twin ?? one, at);
      }
      if (twin) mend(twin, one);
    }
    while (at) drop();
  }

  // Do what moves things, and keep what could be tapped before.
  function shift(doing) {
    stood = new Set([...document.querySelectorAll(ACTS)].filter((one) => {
      const box = one.getBoundingClientRect();
      return box.height > 0 && box.bottom >= 0 && box.top <= innerHeight;
    }).map(place));
    doing();
    moved = performance.now();
  }

  // What is due sooner stays: changes that come without end must not put the look off without end.
  function later(wait) {
    const at = performance.now() + wait;
    if (timer && due <= at) return;
    clearTimeout(timer);
    due = at;
    timer = setTimeout(() => { timer = 0; update(); }, wait);
  }

  async function update() {
    if (paused || document.hidden || names.size === 0) return;
    if (restless()) { later(QUIET); return; }
    if (asking) { later(GATHER); return; }
    asking = true;
    try { await renew(); } finally { asking = false; }
  }

  async function renew() {
    if (!parts(document).some(concerns)) { names.clear(); return; }
    const asked = new Set(names);
    names.clear(); // what is told from here on may be newer than the answer
    const keep = () => { for (const name of asked) names.add(name); };
    let page;
    try {
      const answer = await fetch(location.href, { headers: { "X-Asleft-Live": "1" }, redirect: "error", cache: "no-store", signal: AbortSignal.timeout(SILENT) });
      if (!answer.ok) throw new Error(String(answer.status));
      page = new DOMParser().parseFromString(await answer.text(), "text/html");
    } catch {
      keep();
      later(LEAVE);
      if (source) say("Not up to date: load the page again"); // else it says already that it is not live
      return;
    }
    if (paused || document.hidden) { keep(); return; }
    if (restless()) { keep(); later(QUIET); return; }
    let holds = false;
    let keeps = false;
    const news = []; // what changed of what is to be heard: a region that is replaced says nothing by itself
    const swaps = [];
    for (const old of parts(document)) {
      const fresh = page.getElementById(old.id);
      if (!fresh) continue;
      for (const fold of old.querySelectorAll("details[id]")) {
        const same = page.getElementById(fold.id);
        if (same && (fold.open || folded.has(fold.id))) same.open = fold.open;
      }
      if (old.isEqualNode(fresh)) continue;
      const form = begun(old, fresh);
      if (form || old.contains(document.activeElement)) { holds = true; keeps ||= form; continue; }
      const text = told(fresh);
      if (text && text !== told(old)) news.push(text);
      swaps.push([old, fresh]);
    }
    waits = holds;
    kept = keeps;
    // Both at once: what could be tapped before is kept of one shift.
    if (swaps.length || top.dataset.says !== topmost()) shift(() => {
      for (const [old, fresh] of swaps) mend(old, fresh);
      onTop();
    });
    if (news.length) speak("live-said", news.join(" "));
    document.title = page.title;
    const now = Number(page.body.dataset.high || 0);
    if (now > high) speak("live-alert", `A new high alarm: ${page.body.dataset.newest}`);
    if (now === 0) speak("live-alert", "");
    high = now;
    if (waits) { keep(); later(LEAVE); }
    else if (names.size) later(GATHER);
    // What the line on top tells is heard from there, once.
    if (waits && !kept) say("There is news; it is shown when you leave what you are at");
    else if (!failing) say("Live"); // else it is said once the stream is there again
  }

  // What the line on top is about: a page that is old, or news that a begun form keeps from being shown.
  const topmost = () => lost ? "lost" : kept ? "kept" : "";

  // Have the line on top say that, once; whoever calls it keeps what could be tapped before.
  function onTop() {
    if (top.dataset.says === topmost()) return;
    top.dataset.says = topmost();
    top.replaceChildren();
    if (!lost && !kept) return;
    let told = "There is news about this page; the form that you began keeps it back. ";
    if (lost) {
      const since = new Date(heard);
      const day = since.toDateString() === new Date().toDateString() ? {} : { day: "numeric", month: "short" };
      const zone = document.body.dataset.zone ? { timeZone: document.body.dataset.zone } : {};
      const clock = since.toLocaleString("en-GB", { hour: "2-digit", minute: "2-digit", ...day, ...zone });
      told = `Not live since ${clock}; what stands here may be old. `;
    }
    const again = document.createElement("a");
    again.href = location.pathname + location.search;
    again.className = "touch";
    again.textContent = "Load the page again";
    const says = document.createElement("p");
    says.append(told, again);
    top.append(says);
  }

  // It comes and goes as all else does: while nothing is touched.
  function line() {
    clearTimeout(lines);
    if (top.dataset.says === topmost()) return;
    if (restless()) { lines = setTimeout(line, QUIET); return; }
    shift(onTop);
  }

  function hear() {
    heard = Date.now();
    failing = lost = false;
    clearTimeout(doubt);
    doubt = setTimeout(silent, SILENT);
    line();
  }

  function fail() {
    if (failing) return;
    failing = true;
    clearTimeout(doubt);
    doubt = setTimeout(() => {
      lost = true;
      line();
      if (source) doubt = setTimeout(silent, SILENT); // a connection that was taken and is not answered ends no try
    }, LOST);
  }

  function silent() { // a computer that has gone ends no connection, and a browser waits for it without end
    rest();
    say("Connecting again");
    names.add("*");
    open();
  }

  function open() {
    if (source || paused || document.hidden) return;
    fail();
    source = new EventSource(`${at}?${new URLSearchParams({ at: location.pathname, told: knows })}`);
    // What was told between a page and its stream is told again where it is known what the page knows of; else the page is looked at.
    let missed = knows === "";
    knows = ""; // this stream may be told more; another one cannot know what of it
    source.addEventListener("hello", () => { hear(); say("Live"); if (missed) names.add("*"); missed = false; if (names.size) later(GATHER); });
    source.addEventListener("beat", hear);
    source.addEventListener("changed", (event) => {
      hear();
      for (const name of JSON.parse(event.data)) names.add(name);
      later(GATHER);
    });
    source.addEventListener("reload", () => { hear(); names.add("*"); later(GATHER); });
    source.addEventListener("error", () => {
      fail();
      if (source && source.readyState === EventSource.CLOSED) {
        shut();
        say("Not live");
        clearTimeout(refused);
        refused = setTimeout(back, AGAIN);
      } else {
        say("Connecting again");
      }
    });
  }

  function shut() {
    if (source) source.close();
    source = null;
  }

  function rest() { // nothing is to be heard now, so nothing is missed
    shut();
    failing = false;
    clearTimeout(doubt);
    clearTimeout(refused);
  }

  function back() {
    if (paused || document.hidden) return;
    knows = "";
    names.add("*");
    open();
    later(LATE);
  }

  function show() {
    pause.textContent = paused ? "Go on" : "Pause";
    if (paused) { rest(); say("Paused"); lost = false; line(); }
    else back();
  }

  pause.addEventListener("click", () => {
    paused = !paused;
    try { sessionStorage.setItem("asleft-paused", paused ? "yes" : "no"); } catch { /* as above */ }
    busy = -Infinity;
    show();
  });
  for (const name of ["pointerdown", "pointerup", "pointercancel", "keydown", "scroll", "touchmove", "wheel", "dragend", "contextmenu"]) {
    addEventListener(name, (event) => {
      if (event.target !== pause) touched();
      if (name === "pointerdown") { down.add(event.pointerId); began = performance.now(); }
      else if (name === "pointerup" || name === "pointercancel") down.delete(event.pointerId);
      else if (name === "dragend" || name === "contextmenu") down.clear(); // whose pointer is not told to be up
    }, { passive: true, capture: true });
  }
  addEventListener("blur", () => down.clear()); // of the window: a pointer that is let go elsewhere is not told
  // A tap that begins as things move is meant for what stood there. Keys and programs, with no detail, mean what has the focus.
  addEventListener("click", (event) => {
    if (event.detail === 0 || began - moved >= SETTLE) return;
    const act = event.target.closest(ACTS);
    if (!act || stood.has(place(act))) return;
    event.preventDefault();
    event.stopImmediatePropagation();
  }, { capture: true });
  addEventListener("click", (event) => {
    const fold = event.target.closest("summary")?.parentElement;
    if (fold?.id) folded.add(fold.id);
  });
  // Without a network the browser would show a page of its own in place of ours, and nobody knew what became of the form.
  addEventListener("submit", (event) => {
    if (navigator.onLine || here) { unsent.replaceChildren(); return; }
    event.preventDefault();
    event.stopImmediatePropagation();
    const says = document.createElement("p");
    const what = document.createElement("strong");
    what.textContent = "No network: nothing was sent.";
    says.append(what, " Send it again when the network is back.");
    shift(() => unsent.replaceChildren(says));
    unsent.scrollIntoView({ block: "nearest" });
  }, { capture: true });
  // What a browser says of a field that keeps a form back stands in a bubble, which not every screen reader is told of.
  let refusing = false;
  addEventListener("invalid", (event) => {
    if (refusing) return;
    refusing = true;
    setTimeout(() => { refusing = false; });
    speak("live-alert", `Nothing was sent. ${event.target.validationMessage}`);
  }, { capture: true });
  for (const name of ["focusout", "change"]) addEventListener(name, () => { if (waits) later(GATHER); });
  document.addEventListener("visibilitychange", () => {
    down.clear();
    if (document.hidden) rest();
    else back();
  });
  addEventListener("pagehide", rest);
  addEventListener("pageshow", (event) => {
    if (!event.persisted) return;
    if (unsent.hasChildNodes()) shift(() => unsent.replaceChildren()); // it was about a tap before the page was left
    back();
  });
  top.dataset.says = "";
  byId("live").hidden = false;
  if (paused) show(); else open();
})();
