"""What a viewer's browser does for entries: keeps what is typed, and tells when the line is gone.

It runs in the page, by Streamlit's components. What is typed into a form goes nowhere before it is
saved, so only the browser can keep it: in its own storage, on that phone, until it is saved, given
up, or a week old. Photos and passwords are not kept.
"""

from __future__ import annotations

#: Read by Streamlit as the module of a component.
SCRIPT = r"""
const STORE = "gritbook-drafts", DAYS = 7, EVERY_MS = 8000, PATIENCE_MS = 5000;

function stored() {
  try {
    const found = JSON.parse(localStorage.getItem(STORE) || "{}");
    const oldest = Date.now() - DAYS * 86400e3;
    for (const name of Object.keys(found)) if (!(found[name].at > oldest)) delete found[name];
    return found;
  } catch { return {}; }
}
function store(drafts) {
  try { localStorage.setItem(STORE, JSON.stringify(drafts)); } catch { /* no storage: no drafts */ }
}
const named = (key) => key.replace(/[^a-zA-Z0-9_-]/g, "-");

// What a field shows; undefined: it is of a kind that is not kept.
function shown(field) {
  const kind = (name) => field.querySelector(`[data-testid="${name}"]`);
  if (kind("stFileUploader") || field.querySelector("input[type=password]")) return undefined;
  if (kind("stDateTimeInput")) {
    const part = (type) => {
      const span = field.querySelector(`span[data-type="${type}"]`);
      return span && span.hasAttribute("aria-valuenow") ? Number(span.ariaValueNow) : null;
    };
    const [y, m, d, h, min] = ["year", "month", "day", "hour", "minute"].map(part);
    if ([y, m, d, h, min].includes(null)) return "";
    const two = (n) => String(n).padStart(2, "0");
    return `${String(y).padStart(4, "0")}-${two(m)}-${two(d)}T${two(h)}:${two(min)}`;
  }
  if (kind("stMultiSelect")) {
    return [...field.querySelectorAll("span[data-tag]")].map((tag) => tag.ariaLabel);
  }
  const buttons = [...field.querySelectorAll('[role="radio"]')];
  if (buttons.length) {
    const on = buttons.find((one) => one.ariaChecked === "true");
    return on ? on.innerText.trim() : "";
  }
  const box = field.querySelector("input[type=checkbox]");
  if (box) return box.checked;
  const input = field.querySelector("textarea, input");
  return input ? input.value : undefined;
}

// The field that something happens in; of a list that stands elsewhere on the page: none.
const fieldOf = (event) => event.target.closest?.('[data-testid="stElementContainer"]');
const keyOf = (field) => [...field.classList].find((one) => one.startsWith("st-key-"));

function begin() {
  let forms = [], nonce = null;
  // By key: what a field showed last; the fields that somebody used; what was typed into those of
  // forms that are not known yet.
  const seen = new Map(), used = new Set(), typed = new Map();

  // Every field of the page, for a form can be on it before this knows of the form. Only what
  // changes in a field that somebody used is typing: a page changes its fields by itself too, and
  // fills them a moment after it has drawn them.
  function look() {
    const here = new Set();
    for (const field of document.querySelectorAll('[class*="st-key-"]')) {
      if (field.dataset.testid !== "stElementContainer") continue;
      const own = keyOf(field), value = shown(field);
      if (value === undefined) continue;
      const now = JSON.stringify(value);
      if (used.has(own) && seen.get(own) !== now) typed.set(own, value);
      seen.set(own, now);
      here.add(own);
    }
    // A field that comes back begins anew.
    for (const own of [...seen.keys(), ...used]) {
      if (!here.has(own)) { seen.delete(own); used.delete(own); }
    }
    if (typed.size) keep();
  }
  function keep() {
    let drafts = null;
    for (const form of forms) {
      const begins = `st-key-${named(form.key)}-`;
      for (const [own, value] of typed) {
        if (!own.startsWith(begins)) continue;
        drafts ??= stored();
        const draft = drafts[form.name] ??= { once: form.once, fields: {} };
        draft.fields[own.slice(begins.length)] = value;
        draft.at = Date.now();
        typed.delete(own);
      }
    }
    if (drafts) store(drafts);
  }
  // A slow phone shows what was chosen only after a while, so it is looked at twice.
  let first = 0, second = 0;
  function soon() {
    first ||= setTimeout(() => { first = 0; look(); }, 40);
    clearTimeout(second);
    second = setTimeout(look, 400);
  }
  // What stands in a field before somebody uses it is not of that person's typing.
  for (const kind of ["pointerdown", "focusin"]) {
    document.addEventListener(kind, (event) => {
      const field = fieldOf(event), own = field && keyOf(field);
      if (!own || used.has(own)) return;
      const value = shown(field);
      if (value === undefined) return;
      seen.set(own, JSON.stringify(value));
      used.add(own);
    }, true);
  }
  for (const kind of ["input", "change", "click", "keyup"]) {
    document.addEventListener(kind, (event) => {
      const field = fieldOf(event), own = field && keyOf(field);
      // A browser fills in a name without anybody's finger.
      if (own) used.add(own);
      soon();
    }, true);
  }
  addEventListener("pagehide", look);
  // The last that a phone tells before it ends a page.
  document.addEventListener("visibilitychange", () => { if (document.hidden) look(); });

  // --- the line to Gritbook ---
  let answers = true;
  const note = document.createElement("div");
  note.id = "gb-no-line";
  note.setAttribute("role", "alert");
  note.hidden = true;
  document.body.append(note);
  function state() {
    const app = document.querySelector('[data-testid="stApp"]');
    const socket = !app || (app.dataset.testConnectionState || "CONNECTED") === "CONNECTED";
    return navigator.onLine && answers && socket;
  }
  let lost = 0;
  function tell() {
    const well = state();
    if (well) { lost = 0; note.hidden = true; return; }
    if (!lost) {
      lost = Date.now();
      note.textContent = "No connection to Gritbook. What you see may be old. What you typed is " +
        "kept on this device; save it when this line has gone.";
    }
    // A page that is only just loading is not without a connection.
    note.hidden = navigator.onLine && Date.now() - lost < 1200;
  }
  async function ask() {
    if (document.hidden) return;
    try {
      const signal = AbortSignal.timeout(PATIENCE_MS);
      const base = document.baseURI.replace(/[?#].*$/, "").replace(/[^/]*$/, "");
      const answer = await fetch(new URL("_stcore/health", base), { cache: "no-store", signal });
      answers = answer.ok;
    } catch { answers = false; }
    tell();
  }
  setInterval(ask, EVERY_MS);
  setInterval(tell, 400);
  for (const kind of ["online", "offline"]) addEventListener(kind, () => { tell(); ask(); });
  document.addEventListener("visibilitychange", ask);
  // A save that cannot go anywhere says so, instead of seeming to be one.
  document.addEventListener("click", (event) => {
    const button = event.target.closest?.('[data-testid="stFormSubmitButton"] button');
    if (!button || state()) return;
    event.stopPropagation();
    event.preventDefault();
    note.textContent = "NOT saved: there is no connection to Gritbook. What you typed is kept " +
      "on this device; press save again when this line has gone.";
    note.hidden = false;
  }, true);

  return (data, send) => {
    // Into the forms that were there until now, what was typed into them last.
    look();
    const drafts = stored();
    let changed = false;
    for (const [name, once] of data.gone) {
      if (drafts[name] && drafts[name].once === once) {
        delete drafts[name];
        changed = true;
      }
    }
    if (changed) store(drafts);
    // Forms new to the page, of which more was typed than they were drawn with: they come back, and
    // so do those that somebody went on with while they were being drawn again.
    const back = data.forms.some((one) => {
      const before = forms.find((other) => other.name === one.name);
      const drawn = !before || (one.restored && before.key !== one.key);
      return drawn && drafts[one.name] && drafts[one.name].at > one.restored;
    });
    const fresh = nonce !== data.nonce, kept = Object.keys(drafts).length > 0;
    nonce = data.nonce;
    forms = data.forms;
    // What was typed before its form was known is kept from now on, and handed over with the rest.
    if (typed.size) keep();
    // A session that begins is told of what was there before it: what is being typed now stands in
    // the page, and to draw it again takes away the button that somebody is just pressing.
    if ((fresh && kept) || back) send({ nonce, drafts: stored(), fresh });
    setTimeout(look, 600);
  };
}

export default function (component) {
  window.gritbookEntry ??= begin();
  if (component.data) {
    window.gritbookEntry(component.data, (found) => component.setTriggerValue("found", found));
  }
}
"""

#: How the line about a lost connection looks, and how high what is pressed with gloves is: 48 px at
#: least. Colours are the page's.
STYLE = """
[data-testid="stTextInputRootElement"], [data-testid="stNumberInputContainer"],
[data-testid="stDateTimeInputField"], .stSelectbox [role="group"], .stMultiSelect [role="group"] {
  min-height: 48px !important; }
[data-testid="stNumberInputContainer"] button { min-width: 48px; min-height: 46px; }
.stSelectbox [role="group"] button, .stMultiSelect [role="group"] button,
[data-testid="stDateTimeInputField"] button { min-width: 48px; min-height: 46px; display: flex;
  align-items: center; justify-content: center; }
.stCheckbox label { min-height: 48px; align-items: center; }
[role="listbox"] [role="option"] { min-height: 48px; align-items: center; }
#gb-no-line { position: fixed; top: 0; left: 0; right: 0; z-index: 1000; padding: 14px 18px;
  background: var(--gb-alarm); color: var(--gb-surface); font: 650 1rem/1.35 inherit;
  font-family: inherit; }
#gb-no-line[hidden] { display: none; }
"""
