/* Keeps an open page true: ages count on, and news is put in its place without moving the reader.
   The page works without this script; it then stands still until it is loaded again. */
"use strict";

(() => {
  const pace = Number(document.body.dataset.pace); // seconds of monitord's clock in one of ours
  const pollMs = 1000 * Number(document.body.dataset.poll);
  const contact = document.getElementById("contact");
  let server = Date.parse(document.body.dataset.now);
  let receivedAt = Date.now();
  let tag = null;
  let failures = 0;
  let asking = null;

  /* A first job's time zone is most likely that of who makes it. */
  const zone = document.querySelector("input[data-own-zone]");
  if (zone) zone.value = Intl.DateTimeFormat().resolvedOptions().timeZone || zone.value;

  const now = () => server + (Date.now() - receivedAt) * pace;

  /* The same words as age_words in local_time.py. */
  function spanWords(s) {
    if (s < 90 * 60) return `${Math.floor(s / 60)} min`;
    if (s < 36 * 3600) return `${Math.floor(s / 3600)} h`;
    return `${Math.floor(s / 86400)} d`;
  }
  function ageWords(s) {
    if (s < -60) return `${spanWords(-s)} ahead of the clock`;
    return s < 60 ? "just now" : `${spanWords(s)} ago`;
  }
  function countAges() {
    for (const item of document.querySelectorAll("time.age")) {
      const words = ageWords((now() - Date.parse(item.dateTime)) / 1000);
      if (item.textContent !== words) item.textContent = words;
    }
  }

  /* What the server said of each region, ages left out, so that only news is put in. */
  const regions = (page) => [...page.querySelectorAll("[data-live]")];
  const said = new Map();
  function plain(region) {
    return region.outerHTML.replace(/(<time class="age"[^>]*>)[^<]*/g, "$1");
  }
  function isBusy(region) {
    const at = document.activeElement;
    const typing = at instanceof HTMLSelectElement || (at instanceof HTMLInputElement && at.type !== "range");
    if (typing && region.contains(at)) return true;
    return [...region.querySelectorAll(".seen input")].some((input) => input.value !== input.defaultValue);
  }
  function replace(old, fresh) {
    const was = new Map([...old.querySelectorAll("details[id]")].map((item) => [item.id, item.open]));
    old.replaceWith(fresh);
    for (const [id, open] of was) {
      const item = document.getElementById(id);
      if (item) item.open = open;
    }
  }
  function put(text) {
    const page = new DOMParser().parseFromString(text, "text/html");
    const fresh = regions(page), old = regions(document);
    const names = (list) => list.map((region) => region.id).join();
    const from = page.querySelector("main"), to = document.querySelector("main");
    const focused = document.activeElement?.id;
    document.title = page.title;
    if (names(fresh) !== names(old)) {
      if (old.some(isBusy)) return;
      fresh.forEach((region) => said.set(region.id, plain(region)));
      replace(to, document.importNode(from, true));
      regions(document).filter((region) => !to.contains(region) && region.id === "nav")
        .forEach((region) => replace(region, document.importNode(page.getElementById("nav"), true)));
    } else {
      fresh.forEach((region, i) => {
        if (said.get(region.id) === plain(region) || isBusy(old[i])) return;
        said.set(region.id, plain(region));
        replace(old[i], document.importNode(region, true));
      });
    }
    countAges();
    document.dispatchEvent(new Event("monitord:put"));
    // what had the focus may be a new element of that name now, or one that the chart has just made
    if (focused && document.activeElement?.id !== focused) document.getElementById(focused)?.focus({ preventScroll: true });
  }

  function tell(words) {
    if (contact.textContent !== words) contact.textContent = words;
    contact.classList.toggle("lost", words !== "");
  }
  let lastContact = new Date();
  function lost(why) {
    failures += 1;
    if (failures < 2) return;
    const at = lastContact.toTimeString().slice(0, 5);
    tell(`${why} This page shows what was known at ${at} on your clock; the ages run on.`);
  }

  /* Ask for a page; `url` given: go there, else look for news of this one. */
  async function ask(url) {
    asking?.abort();
    const mine = asking = new AbortController();
    const limit = setTimeout(() => mine.abort(), 20000);
    const target = url ?? location.href.split("#")[0];
    try {
      const headers = tag && !url ? { "If-None-Match": tag } : {};
      const answer = await fetch(target, { headers, cache: "no-store", signal: mine.signal });
      const stamp = Date.parse(answer.headers.get("monitord-now") ?? "");
      if (answer.status !== 200 && answer.status !== 304) {
        lost(`monitord answers with an error (${answer.status}).`);
        return false;
      }
      const text = answer.status === 200 ? await answer.text() : "";
      if (mine !== asking) return false;
      failures = 0;
      lastContact = new Date();
      tell("");
      if (!Number.isNaN(stamp)) { server = stamp; receivedAt = Date.now(); }
      if (text) {
        tag = answer.headers.get("etag");
        if (url) history.replaceState(null, "", url);
        put(text);
      }
      return true;
    } catch (error) {
      if (mine === asking) lost("No contact with monitord.");
      return false;
    } finally {
      clearTimeout(limit);
      if (mine === asking) asking = null;
    }
  }

  /* Links around the charts change the page in place; without an answer the browser follows them as usual. */
  async function go(url) {
    const charts = document.getElementById("charts");
    charts?.classList.add("busy");
    const done = await ask(url);
    charts?.classList.remove("busy");
    return done;
  }
  document.addEventListener("click", async (event) => {
    const link = event.target instanceof Element ? event.target.closest("a[data-swap]") : null;
    if (!link || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
    event.preventDefault();
    if (!await go(link.href.split("#")[0])) location.assign(link.href);
  });

  let timer = 0;
  async function round() {
    clearTimeout(timer);
    if (!document.hidden && !asking) await ask();
    timer = setTimeout(round, pollMs);
  }
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { countAges(); round(); } });

  regions(document).forEach((region) => said.set(region.id, plain(region)));
  // where there is room, what stands folded beside the needs on a phone is open
  if (matchMedia("(min-width: 60rem)").matches) {
    for (const item of document.querySelectorAll("details[data-wide-open]")) item.open = true;
  }
  countAges();
  setInterval(countAges, Math.max(500, 10000 / pace));
  timer = setTimeout(round, pollMs);
  window.monitord = { go, ageWords, ask };
})();
