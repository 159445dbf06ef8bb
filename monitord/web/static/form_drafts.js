/* Keeps what is typed into a form on this device until the server has said that it is saved, and sends it again once
   there is signal. Without this script the form is sent by the browser, and the answer is a page. */
"use strict";

(() => {
  const form = document.querySelector("form[data-keep]");
  const box = document.getElementById("kept");
  const done = document.querySelector("[data-saved]");
  const key = (name) => `monitord:${name}`;
  const RETRY_MS = 15000;
  let timer = 0;
  const store = {
    get(name) { try { return JSON.parse(localStorage.getItem(key(name))); } catch { return null; } },
    set(name, value) { try { localStorage.setItem(key(name), JSON.stringify(value)); } catch { /* full or forbidden */ } },
    drop(name) { try { localStorage.removeItem(key(name)); } catch { /* forbidden */ } },
  };
  if (done) store.drop(done.dataset.saved);
  if (!form) return;
  const name = form.dataset.keep;
  const files = form.querySelector("input[type=file]"); // files are kept by the open page alone

  const values = () => [...new FormData(form)].filter(([field, value]) => field !== "form_token" && typeof value === "string");
  function fill(kept) {
    for (const item of form.elements) {
      if (!item.name || item.type === "submit" || item.type === "file" || item.name === "form_token") continue;
      const mine = kept.filter(([field]) => field === item.name).map(([, value]) => value);
      if (item.type === "radio" || item.type === "checkbox") item.checked = mine.includes(item.value);
      else if (mine.length) item.value = mine[0];
    }
  }
  function tell(tone, head, words) {
    box.hidden = false;
    box.className = `band ${tone}`;
    const title = document.createElement("p"), text = document.createElement("p");
    title.className = "state";
    title.textContent = head;
    text.textContent = words;
    box.replaceChildren(title, text);
  }
  const at = (iso) => new Date(iso).toTimeString().slice(0, 5);

  function waiting(kept) {
    tell("watch", "Not saved yet: no signal", files ? `Leave this page open: it is sent by itself once there is signal. Your words are kept on this device since ${at(kept.since)}, photos only while the page is open.` : `Kept on this device since ${at(kept.since)}, and sent by itself once there is signal. Do not clear the browser.`);
    const again = document.createElement("button");
    again.type = "button";
    again.textContent = "Try now";
    again.addEventListener("click", send);
    box.append(again);
    clearTimeout(timer);
    timer = setTimeout(send, RETRY_MS);
  }

  async function send() {
    clearTimeout(timer);
    const pressed = form.elements.namedItem("pressed");
    if (pressed && !pressed.value) pressed.value = new Date().toISOString();
    const before = store.get(name);
    // what was sent is sent again as it was: by now it may be saved, and the page no longer offer what it says
    const kept = before?.pending ? before : { values: values(), pending: true, since: new Date().toISOString() };
    store.set(name, kept);
    const button = form.querySelector("button.main");
    button.disabled = true;
    try {
      const body = files ? new FormData(form) : new URLSearchParams([["form_token", form.elements.form_token.value], ...kept.values]);
      const answer = await fetch(form.action, { method: "POST", body, signal: AbortSignal.timeout(files ? 180000 : 20000) });
      if (answer.redirected && answer.ok) { location.assign(answer.url); return; }
      if (answer.status === 401 || answer.status === 403) {
        tell("act", "Not saved: signed out", "Sign in again in this browser, then come back to this page: what you typed is kept.");
        store.set(name, { ...kept, pending: false });
      } else if (answer.status >= 500) {
        waiting(kept);
      } else {
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        store.set(name, { ...kept, pending: false });
        if (pressed) pressed.value = "";
        const wrong = page.getElementById("wrong");
        tell("act", wrong?.dataset.head ?? "Not saved", wrong?.textContent ?? page.querySelector("main")?.innerText ?? "");
        for (const old of form.querySelectorAll(".refused")) old.remove();
        for (const item of page.querySelectorAll(".refused[data-for]")) {
          const field = form.elements.namedItem(item.dataset.for);
          (field?.closest?.(".field, .read, fieldset") ?? form).append(document.importNode(item, true));
          field?.setAttribute?.("aria-invalid", "true");
        }
        for (const fresh of page.querySelectorAll("[data-only-when-asked]")) {
          if (!document.getElementById(fresh.id)) form.querySelector(".thumb").before(document.importNode(fresh, true));
        }
        box.scrollIntoView({ block: "center" });
        box.focus();
      }
    } catch {
      waiting(kept);
    } finally {
      button.disabled = false;
    }
  }

  const before = store.get(name);
  if (before && !form.dataset.fresh) {
    fill(before.values);
    if (before.pending && !files) waiting(before);
    else if (files) {
      store.set(name, { ...before, pending: false });
      tell("watch", "Kept on this device", "What you had typed is back and not sent yet. Choose its photos again, then press the button.");
    }
    else tell("none", "Kept on this device", "What you had typed is back. Nothing is sent before you press the button.");
  }
  form.addEventListener("input", () => store.set(name, { values: values(), pending: false, since: new Date().toISOString() }));
  form.addEventListener("submit", (event) => {
    if (event.submitter?.formAction && event.submitter.hasAttribute("formaction")) return;
    event.preventDefault();
    send();
  });
  addEventListener("online", () => { if (store.get(name)?.pending) send(); });
})();
