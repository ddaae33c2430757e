"use strict";
// Times in the reader's own zone, and what lives: everything else of these pages works without this script.

function offsetOf(moment) {
  const minutes = -moment.getTimezoneOffset();
  if (minutes === 0) return "UTC";
  const two = (number) => String(Math.floor(Math.abs(number))).padStart(2, "0");
  return (minutes < 0 ? "\u2212" : "+") + two(minutes / 60) + ":" + two(Math.abs(minutes) % 60);
}

function shown(moment, seconds) {
  const two = (number) => String(number).padStart(2, "0");
  const day = [moment.getFullYear(), two(moment.getMonth() + 1), two(moment.getDate())].join("-");
  const time = [two(moment.getHours()), two(moment.getMinutes())];
  if (seconds) time.push(two(moment.getSeconds()));
  return day + " " + time.join(":") + " " + offsetOf(moment);
}

function localTimes(within) {
  for (const one of within.querySelectorAll("time[datetime]")) {
    const moment = new Date(one.dateTime);
    if (!isNaN(moment)) one.textContent = shown(moment, "seconds" in one.dataset);
  }
}

// Only what changed is put in place, so that a link keeps the focus and nothing flickers.
function putInPlace(live, html) {
  const made = new DOMParser().parseFromString(html, "text/html").body;
  localTimes(made);
  merge(live, made);
}

function merge(old, made) {
  const before = new Map([...old.children].filter((one) => one.id).map((one) => [one.id, one]));
  const named = [...made.children].length > 0 && [...made.children].every((one) => one.id || one.classList.contains("cards"));
  if (!named) {
    if (old.innerHTML !== made.innerHTML) replaceWithin(old, made);
    return;
  }
  const after = [];
  for (const one of [...made.children]) {
    const there = one.id ? before.get(one.id) : old.querySelector(":scope > .cards");
    if (there && !one.id) {
      merge(there, one);
      after.push(there);
    } else if (there && there.outerHTML === one.outerHTML) {
      after.push(there);
    } else {
      if (there && there.contains(document.activeElement)) keepFocus(there, one);
      if (there) there.replaceWith(one);
      after.push(one);
    }
  }
  for (const one of [...old.childNodes]) if (!after.includes(one)) one.remove();
  after.forEach((one, at) => { if (old.children[at] !== one) old.insertBefore(one, old.children[at] || null); });
}

function replaceWithin(old, made) {
  const focused = old.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
  old.replaceChildren(...made.childNodes);
  if (focused) for (const one of old.querySelectorAll("a[href]")) if (one.getAttribute("href") === focused) { one.focus(); break; }
}

function keepFocus(there, one) {
  const href = document.activeElement.getAttribute("href");
  requestAnimationFrame(() => {
    for (const link of one.querySelectorAll("a[href]")) if (link.getAttribute("href") === href) { link.focus(); break; }
  });
}

function live() {
  const region = document.getElementById("live");
  const address = document.body.dataset.stream;
  if (!region || !address || !window.EventSource) return;
  const lost = document.getElementById("lost");
  const said = document.getElementById("said");
  const alarm = document.getElementById("alarm");
  const title = document.title;
  let source = null;
  let told = new Set();
  let spoken = [];
  let first = true;

  function say() {
    const now = new Set([...region.querySelectorAll("[data-say]")].map((one) => one.dataset.say).filter(Boolean));
    const fresh = [...now].filter((one) => !told.has(one));
    told = now;
    // What is no longer so is taken back: who reads the page later must not find it
    spoken = [...spoken.filter((one) => now.has(one) && !fresh.length), ...(first ? [] : fresh)];
    put(said, spoken.join(". "));
    first = false;
    const alarms = [...region.querySelectorAll("[data-alarm]")].map((one) => one.dataset.alarm);
    put(alarm, alarms.join(" "));
    document.title = alarms.some((one) => one.includes("NOT SAFE")) ? "NOT SAFE \u2013 " + title : title;
  }

  // Written again, the same words would be read out again
  function put(where, words) {
    if (where.textContent !== words) where.textContent = words;
  }

  function open() {
    if (source) return;
    source = new EventSource(address);
    source.addEventListener("open", () => { lost.hidden = true; document.body.dataset.connected = "yes"; });
    source.addEventListener("state", (event) => {
      putInPlace(region, event.data);
      say();
      document.body.dataset.n = event.lastEventId;
    });
    source.addEventListener("error", () => {
      document.body.dataset.connected = "no";
      if (lost.hidden) document.getElementById("lost-since").textContent = shown(new Date(), true);
      lost.hidden = false;
      // A refusal ends it for good (the server is full, or asks for the token anew): try again by hand
      if (source && source.readyState === EventSource.CLOSED) { close(); setTimeout(open, 5000); }
    });
  }

  function close() {
    if (source) source.close();
    source = null;
  }

  // A browser holds six connections to a server: a page that nobody sees gives its own back.
  document.addEventListener("visibilitychange", () => (document.hidden ? close() : open()));
  window.addEventListener("pagehide", close);
  window.addEventListener("pageshow", () => { if (!document.hidden) open(); });
  say();
  if (!document.hidden) open();
}

localTimes(document);
for (const one of document.querySelectorAll(".zone")) one.textContent = "Times in your own zone, with its offset.";
live();
