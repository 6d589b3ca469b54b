"use strict";
// The page of a phone in the field. Photos are sent in pieces and go on where
// the connection was lost; photos and counts wait in this browser until the
// laptop answers, also where the page was closed meanwhile. It shows no value
// of a photo.

const byId = (id) => document.getElementById(id);
const token = document.querySelector("meta[name=token]").content;
const piece = 256 * 1024;
const kept = (name, none) => { try { return JSON.parse(localStorage.getItem(name)) ?? none; } catch { return none; } };
const keep = (name, v) => { try { localStorage.setItem(name, JSON.stringify(v)); return true; } catch { return false; } };
const sleep = (ms) => new Promise((done) => setTimeout(done, ms));
const make = (tag, text, cls) => { const e = document.createElement(tag); if (text) e.textContent = text; if (cls) e.className = cls; return e; };
const press = (text, act, cls) => { const b = make("button", text, cls); b.type = "button"; b.addEventListener("click", act); return b; };
const plants = (classes) => classes.map((k) => `${k.Class} ${k.Plants}`).join(", ");
let walk = null, counts = {};

// reach says whether the laptop answers, and what to do while it does not.
function reach(ok) {
  const link = byId("link"), text = ok ? "connected" : "laptop out of reach";
  if (link.textContent !== text) link.textContent = text;
  byId("away").hidden = ok;
  if (!ok) tellWaiting();
}

// tellWaiting says what this phone keeps until the laptop answers.
async function tellWaiting() {
  const n = kept("waiting", []).length, photos = await photosWaiting();
  byId("waitsum").textContent = n || photos ? `Waiting here: ${n} counts, ${photos} photos.` : "Nothing waits here yet.";
}

// ask sends a request until the laptop answers. A refusal comes back as an
// error with its sentence; only a lost connection is tried again.
async function ask(path, options) {
  for (let wait = 500; ; wait = Math.min(2 * wait, 8000)) {
    let r;
    try {
      r = await fetch(path, options);
    } catch {
      reach(false);
      await sleep(wait);
      continue;
    }
    reach(true);
    const answer = await r.json().catch(() => ({}));
    if (r.ok) return answer;
    const fault = new Error(answer.fault || (r.status === 401 ? "scan the code on the laptop again" : "the laptop did not take it"));
    fault.later = r.status === 401 || r.status >= 500; // not a word about what was sent
    fault.before = answer.before; // counts in force that a person is asked about
    throw fault;
  }
}

let loading = null;
// load brings the walk up to date; what is typed stays.
async function load() {
  const mine = loading = {};
  try {
    const fresh = await ask("/walk?visit=" + (kept("visit", 0) || 0));
    if (mine !== loading) return; // asked anew meanwhile
    walk = fresh;
    keep("walk", walk);
  } catch (e) {
    byId("link").textContent = e.message;
  }
  if (walk) show();
}

const spotOf = (q) => q.plot + "/" + q.quadrat;
const draftHere = () => { const d = kept("draft", null); return d && walk && d.visit === walk.visit ? d : null; };
const keepDraft = () => keep("draft", { visit: walk.visit, spot: byId("spot").value, counts });

function show() {
  byId("trial").textContent = walk.trial || "quadtally";
  const visit = byId("visit");
  visit.textContent = "";
  for (const v of walk.visits || []) visit.add(new Option(`${v.Number} – ${v.Date}`, v.Number, false, v.Number === walk.visit));
  byId("rule").textContent = walk.rule ? "The trial's rule: " + walk.rule + "." : "";
  if (!byId("observer").value) byId("observer").value = kept("observer", "");
  const spot = byId("spot"), draft = draftHere(), was = spot.value || (draft ? draft.spot : "");
  spot.textContent = "";
  const waiting = new Set(kept("waiting", []).map((c) => spotOf(c) + "/" + c.visit));
  let first = "";
  for (const q of walk.quadrats || []) {
    const key = spotOf(q), done = q.counted || waiting.has(key + "/" + walk.visit);
    spot.add(new Option(`plot ${q.plot}, quadrat ${q.quadrat}${done ? " – counted" : ""}`, key));
    if (!done && !first) first = key;
  }
  if (!first) spot.add(new Option("all of this visit are counted", ""), 0);
  spot.value = was && [...spot.options].some((o) => o.value === was) ? was : first;
  counts = draft ? { ...draft.counts } : {};
  steppers();
  missing();
  refusals();
}

// refusals lists counts that the laptop did not take, until they are dropped,
// and those of a quadrat that the same person counted before.
function refusals() {
  const box = byId("refused");
  box.textContent = "";
  const without = (name, c) => keep(name, kept(name, []).filter((x) => x.key !== c.key));
  const again = (name, c, more) => {
    if (!keep("waiting", [...kept("waiting", []), { ...c, ...more }])) return;
    without(name, c);
    refusals();
    deliver();
  };
  for (const c of kept("refused", [])) {
    const li = make("li", `Not stored: plot ${c.plot}, quadrat ${c.quadrat}, ${plants(c.classes)}: ${c.why} `);
    li.append(press("Send it again", () => again("refused", c)), press("Drop it", () => { without("refused", c); refusals(); }));
    box.append(li);
  }
  for (const c of kept("asked", [])) {
    const li = make("li");
    li.append(make("b", `Plot ${c.plot}, quadrat ${c.quadrat} was counted before by ${c.observer}.`),
      make("p", `In force: ${c.before.map((k) => `${k.Class} ${k.Plants}`).join(", ")}. Now: ${plants(c.classes)}. Nothing is stored of the new one yet.`),
      press("The new one counts", () => again("asked", c, { over: "replace" })), press("Keep both", () => again("asked", c, { over: "beside" })), press("Drop the new one", () => { without("asked", c); refusals(); }));
    box.append(li);
  }
}

function missing() {
  const list = byId("missing"), photos = walk.quadrats.filter((q) => !q.photo), hand = walk.quadrats.filter((q) => !q.counted);
  byId("missingsum").textContent = `${photos.length} photos, ${hand.length} counts`;
  list.textContent = "";
  for (const q of walk.quadrats) {
    const lacks = [q.photo ? "" : "photo", q.counted ? "" : "count"].filter(Boolean);
    if (lacks.length) list.append(make("li", `plot ${q.plot}, quadrat ${q.quadrat}: ${lacks.join(", ")}`));
  }
}

// steppers: for each class, not looked at, 0, or a number.
function steppers() {
  const box = byId("steppers");
  box.textContent = "";
  (walk.classes || []).forEach((name, i) => {
    const row = make("div", "", "stepper"), shown = make("output");
    const tell = () => { shown.textContent = counts[name] === undefined ? "–" : String(counts[name]); };
    const set = (n) => { if (n === null) delete counts[name]; else counts[name] = n; tell(); keepDraft(); };
    const button = (text, label, act) => { const b = press(text, act); b.setAttribute("aria-label", label); return b; };
    const title = make("span", name, "class");
    title.id = "class" + i;
    shown.setAttribute("aria-labelledby", title.id);
    tell();
    row.append(title, button("−", `one ${name} less`, () => { const n = counts[name]; set(n === undefined ? null : n > 0 ? n - 1 : null); }), shown,
      button("+", `one ${name} more`, () => set((counts[name] ?? 0) + 1)), button("0", `0, no ${name}`, () => set(0)), button("+10", `+10, ten ${name} more`, () => set((counts[name] ?? 0) + 10)));
    box.append(row);
  });
}

// storeCount keeps a count in this browser first and sends it then, so that
// it is neither lost nor doubled when the laptop is out of reach.
function storeCount() {
  const at = byId("spot").value, plot = at.slice(0, at.lastIndexOf("/")), quadrat = Number(at.split("/").pop());
  const said = byId("countsaid");
  if (!plot || !quadrat) { said.textContent = "Say which quadrat was counted."; byId("spot").focus(); return; }
  const observer = byId("observer").value.trim();
  if (!observer) { said.textContent = "Say who counted."; byId("observer").focus(); return; }
  if (!Object.keys(counts).length) { said.textContent = "Nothing is counted yet: 0 where there was none."; return; }
  keep("observer", observer);
  const key = Date.now().toString(36) + Array.from(crypto.getRandomValues(new Uint8Array(8)), (b) => b.toString(36).padStart(2, "0")).join("");
  const waiting = kept("waiting", []);
  waiting.push({ key, plot, quadrat, visit: walk.visit, observer, classes: Object.entries(counts).map(([c, n]) => ({ Class: c, Plants: n })) });
  if (!keep("waiting", waiting)) { said.textContent = "This browser cannot keep the count: write it down, or leave the private window."; return; }
  said.textContent = `Kept on this phone: plot ${plot}, quadrat ${quadrat}.`;
  keep("draft", null);
  if (!byId("away").hidden) tellWaiting();
  byId("spot").value = "";
  show();
  deliver();
}

let delivering = false;
async function deliver() {
  if (delivering) return;
  delivering = true;
  let some = false;
  for (let list = kept("waiting", []); list.length; list = kept("waiting", [])) {
    const c = list[0];
    let text;
    some = true;
    try {
      text = (await ask("/count", { method: "POST", body: JSON.stringify(c), headers: { "X-Token": token, "Content-Type": "application/json" } })).said;
    } catch (e) {
      if (e.later) {
        byId("countsaid").textContent = `${list.length} counts wait on this phone: ${e.message}.`;
        delivering = false;
        setTimeout(deliver, 10000);
        return;
      }
      if (e.before) {
        text = `Plot ${c.plot}, quadrat ${c.quadrat} was counted before: say below what shall become of it.`;
        keep("asked", [...kept("asked", []), { ...c, before: e.before }]);
      } else {
        text = `Plot ${c.plot}, quadrat ${c.quadrat} was not stored: ${e.message}`;
        keep("refused", [...kept("refused", []), { ...c, why: e.message }]);
      }
    }
    keep("waiting", kept("waiting", []).filter((x) => x.key !== c.key));
    byId("countsaid").textContent = text;
  }
  delivering = false;
  if (some) load();
}

// Photos that are still to be sent lie in this browser's database, or, where it
// has none, in memory.
const memory = [];
const database = new Promise((done) => {
  try {
    const r = indexedDB.open("quadtally", 1);
    r.onupgradeneeded = () => r.result.createObjectStore("photos", { autoIncrement: true });
    r.onsuccess = () => done(r.result);
    r.onerror = r.onblocked = () => done(null);
  } catch { done(null); }
});
const inStore = async (mode, act) => {
  const db = await database;
  if (!db) return null;
  return new Promise((done) => {
    try {
      const t = db.transaction("photos", mode), r = act(t.objectStore("photos"));
      t.oncomplete = () => done(r.result ?? null);
      t.onerror = t.onabort = () => done(null);
    } catch { done(null); }
  });
};
async function putPhoto(file) {
  if (await inStore("readwrite", (s) => s.add({ name: file.name, file })) === null) memory.push({ name: file.name, file });
}
// nextPhoto is the photo to be sent next; drop takes it off.
async function nextPhoto() {
  const key = await inStore("readonly", (s) => s.getKey(IDBKeyRange.lowerBound(0)));
  if (key !== null) {
    const v = await inStore("readonly", (s) => s.get(key));
    if (v) return { ...v, drop: () => inStore("readwrite", (s) => s.delete(key)) };
  }
  return memory.length ? { ...memory[0], drop: () => memory.shift() } : null;
}
const photosWaiting = async () => (await inStore("readonly", (s) => s.count()) || 0) + memory.length;

// keyOf makes a name for a file from its bytes (64 bits of FNV-1a and its
// length), by which both sides know it again after a lost connection.
async function keyOf(file) {
  const b = new Uint8Array(await file.arrayBuffer());
  let h1 = 0x811c9dc5, h2 = 0x1b873593;
  for (let i = 0; i < b.length; i++) {
    h1 = Math.imul(h1 ^ b[i], 0x01000193);
    h2 = Math.imul(h2 ^ b[b.length - 1 - i], 0x01000193);
  }
  return (h1 >>> 0).toString(36).padStart(7, "0") + (h2 >>> 0).toString(36).padStart(7, "0") + b.length.toString(36);
}

async function sendPhoto({ name, file }, told) {
  let key;
  try {
    key = await keyOf(file);
  } catch {
    throw new Error("this phone does not give the photo away any more: choose it again");
  }
  let have = await ask("/upload/" + key);
  while (!have.verdict) {
    const from = have.have < file.size ? have.have : 0;
    const q = new URLSearchParams({ name, offset: from, total: file.size });
    have = await ask(`/upload/${key}?${q}`, { method: "POST", body: file.slice(from, from + piece), headers: { "X-Token": token } });
    told(have.have / file.size);
  }
  return have.verdict;
}

let sending = false, sent = 0;
async function sendAll() {
  if (sending) return;
  sending = true;
  const bar = byId("bar"), before = sent;
  for (let next = await nextPhoto(); next; next = await nextPhoto()) {
    const more = await photosWaiting() - 1;
    bar.hidden = false;
    byId("sending").textContent = `Sending ${next.name}; ${more} more wait.`;
    try {
      verdict(await sendPhoto(next, (part) => { bar.max = sent + 1 + more; bar.value = sent + part; }));
    } catch (e) {
      if (e.later) {
        byId("sending").textContent = `${more + 1} photos wait on this phone: ${e.message}.`;
        sending = false;
        setTimeout(sendAll, 10000);
        return;
      }
      verdict({ name: next.name, keep: false, good: [], bad: [e.message] });
    }
    await next.drop();
    sent++;
  }
  sending = false;
  bar.hidden = true;
  if (sent === before) return;
  byId("sending").textContent = sent === 1 ? "1 photo sent." : `${sent} photos sent.`;
  load();
}
async function take(files) {
  for (const f of files) await putPhoto(f);
  if (!byId("away").hidden) tellWaiting();
  sendAll();
}

// verdict says in words and by a sign, not by colour alone, what a photo is
// worth.
function verdict(v) {
  const li = make("li", "", v.keep ? "keep" : "again");
  const where = v.plot ? `plot ${v.plot}, quadrat ${v.quadrat}` : "place not known";
  li.append(make("b", (v.keep ? "✓ Keep: " : "↻ Take it again: ") + (v.keep ? where : (v.bad || []).join(", ") || "not usable")));
  li.append(make("p", v.keep ? [...(v.good || []), ...(v.known ? ["was here already"] : [])].join(", ") : where));
  if (v.keep && (v.bad || []).length) li.append(make("p", "Note: " + v.bad.join(", ")));
  if (v.next && v.keep) li.append(make("p", `Next: plot ${v.next.plot}, quadrat ${v.next.quadrat}.`));
  li.append(make("small", v.name));
  byId("newest").prepend(li);
  // What is to be taken again stays in sight; of what is good, the newest two.
  for (const old of [...byId("newest").children].filter((e, i) => i > 1 && e.classList.contains("keep"))) byId("older").prepend(old);
  byId("earlier").hidden = !byId("older").children.length;
  byId("earliersum").textContent = String(byId("older").children.length);
}

for (const id of ["camera", "library"]) {
  byId(id).addEventListener("change", async (e) => { const files = [...e.target.files]; await take(files); e.target.value = ""; });
}
byId("visit").addEventListener("change", (e) => { keep("visit", Number(e.target.value)); byId("spot").value = ""; load(); });
byId("spot").addEventListener("change", keepDraft);
byId("store").addEventListener("click", storeCount);
byId("observer").addEventListener("change", (e) => keep("observer", e.target.value.trim()));
window.addEventListener("online", () => { deliver(); sendAll(); });
if (navigator.storage?.persist) navigator.storage.persist().catch(() => {}); // asks the browser not to clear it

// Where the browser lets it, the page opens without the laptop, too.
if (navigator.serviceWorker) {
  navigator.serviceWorker.register("/offline.js").then(() => navigator.serviceWorker.ready)
    .then(() => { document.documentElement.dataset.offline = "yes"; byId("closed").textContent = "This page also opens again without the laptop."; })
    .catch(() => { document.documentElement.dataset.offline = "no"; });
}

walk = kept("walk", null);
if (walk) show();
load();
deliver();
sendAll();
