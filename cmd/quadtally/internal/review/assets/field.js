"use strict";
// The page of a phone in the field. Photos are sent in pieces and go on where
// the connection was lost; counts wait in this browser until the laptop
// answers. It shows no value of a photo.

const byId = (id) => document.getElementById(id);
const token = document.querySelector("meta[name=token]").content;
const piece = 256 * 1024;
const kept = (name, none) => { try { return JSON.parse(localStorage.getItem(name)) ?? none; } catch { return none; } };
const keep = (name, v) => { try { localStorage.setItem(name, JSON.stringify(v)); return true; } catch { return false; } };
const sleep = (ms) => new Promise((done) => setTimeout(done, ms));
const make = (tag, text, cls) => { const e = document.createElement(tag); if (text) e.textContent = text; if (cls) e.className = cls; return e; };
let walk = null, counts = {};

// ask sends a request until the laptop answers. A refusal comes back as an
// error with its sentence; only a lost connection is tried again.
async function ask(path, options) {
  for (let wait = 500; ; wait = Math.min(2 * wait, 8000)) {
    let r;
    try {
      r = await fetch(path, options);
    } catch {
      byId("link").textContent = "out of reach: waiting";
      await sleep(wait);
      continue;
    }
    byId("link").textContent = "connected";
    const answer = await r.json().catch(() => ({}));
    if (r.ok) return answer;
    const fault = new Error(answer.fault || (r.status === 401 ? "scan the code on the laptop again" : "the laptop did not take it"));
    fault.later = r.status === 401 || r.status >= 500; // not a word about what was sent
    throw fault;
  }
}

async function load() {
  try {
    walk = await ask("/walk?visit=" + (kept("visit", 0) || 0));
    keep("walk", walk);
  } catch (e) {
    byId("link").textContent = e.message;
    walk = kept("walk", null);
  }
  if (walk) show();
}

function show() {
  byId("trial").textContent = walk.trial || "quadtally";
  const visit = byId("visit");
  visit.textContent = "";
  for (const v of walk.visits || []) visit.add(new Option(`${v.Number} – ${v.Date}`, v.Number, false, v.Number === walk.visit));
  byId("rule").textContent = walk.rule ? "The trial's rule: " + walk.rule + "." : "";
  if (!byId("observer").value) byId("observer").value = kept("observer", walk.observer || "");
  const spot = byId("spot"), was = spot.value;
  spot.textContent = "";
  const waiting = new Set(kept("waiting", []).map((c) => c.plot + "/" + c.quadrat + "/" + c.visit));
  let first = "";
  for (const q of walk.quadrats || []) {
    const key = q.plot + "/" + q.quadrat, done = q.counted || waiting.has(key + "/" + walk.visit);
    spot.add(new Option(`plot ${q.plot}, quadrat ${q.quadrat}${done ? " – counted" : ""}`, key));
    if (!done && !first) first = key;
  }
  if (!first) spot.add(new Option("every quadrat of this visit is counted", ""), 0);
  spot.value = was && [...spot.options].some((o) => o.value === was) ? was : first;
  steppers();
  missing();
  refusals();
}

// refusals lists counts that the laptop did not take, until they are dropped.
function refusals() {
  const box = byId("refused");
  box.textContent = "";
  for (const c of kept("refused", [])) {
    const li = make("li", `Not stored: plot ${c.plot}, quadrat ${c.quadrat}, ${c.classes.map((k) => `${k.Class} ${k.Plants}`).join(", ")}: ${c.why} `);
    const drop = make("button", "Drop it");
    drop.type = "button";
    drop.addEventListener("click", () => { keep("refused", kept("refused", []).filter((x) => x.key !== c.key)); refusals(); });
    li.append(drop);
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
  counts = {};
  (walk.classes || []).forEach((name, i) => {
    const row = make("div", "", "stepper"), shown = make("output", "–");
    const set = (n) => { if (n === null) delete counts[name]; else counts[name] = n; shown.textContent = n === null ? "–" : String(n); };
    const button = (text, label, act) => { const b = make("button", text); b.type = "button"; b.setAttribute("aria-label", label); b.addEventListener("click", act); return b; };
    const title = make("span", name, "class");
    title.id = "class" + i;
    shown.setAttribute("aria-labelledby", title.id);
    row.append(title, button("−", `one ${name} less`, () => { const n = counts[name]; set(n === undefined ? null : n > 0 ? n - 1 : null); }), shown,
      button("+", `one ${name} more`, () => set((counts[name] ?? 0) + 1)), button("0", `0, no ${name}`, () => set(0)), button("+10", `+10, ten ${name} more`, () => set((counts[name] ?? 0) + 10)));
    box.append(row);
  });
}

// storeCount keeps a count in this browser first and sends it then, so that
// it is neither lost nor doubled when the laptop is out of reach.
function storeCount() {
  const [plot, quadrat] = [byId("spot").value.slice(0, byId("spot").value.lastIndexOf("/")), Number(byId("spot").value.split("/").pop())];
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
  byId("spot").value = "";
  show();
  deliver();
}

let delivering = false;
async function deliver() {
  if (delivering) return;
  delivering = true;
  for (let list = kept("waiting", []); list.length; list = kept("waiting", [])) {
    const c = list[0];
    let text;
    try {
      text = (await ask("/count", { method: "POST", body: JSON.stringify(c), headers: { "X-Token": token, "Content-Type": "application/json" } })).said;
    } catch (e) {
      if (e.later) {
        byId("countsaid").textContent = `${list.length} counts wait on this phone: ${e.message}.`;
        delivering = false;
        setTimeout(deliver, 10000);
        return;
      }
      text = `Plot ${c.plot}, quadrat ${c.quadrat} was not stored: ${e.message}`;
      const refused = kept("refused", []);
      refused.push({ ...c, why: e.message });
      keep("refused", refused);
    }
    keep("waiting", kept("waiting", []).filter((x) => x.key !== c.key));
    byId("countsaid").textContent = text;
  }
  delivering = false;
  load();
}

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

async function sendPhoto(file, told) {
  const key = await keyOf(file);
  let have = await ask("/upload/" + key);
  while (!have.verdict) {
    const from = have.have < file.size ? have.have : 0;
    const q = new URLSearchParams({ name: file.name, offset: from, total: file.size });
    have = await ask(`/upload/${key}?${q}`, { method: "POST", body: file.slice(from, from + piece), headers: { "X-Token": token } });
    told(have.have / file.size);
  }
  return have.verdict;
}

const queue = [];
let sending = false, sent = 0;
async function sendAll(files) {
  queue.push(...files);
  if (sending) return;
  sending = true;
  const bar = byId("bar");
  bar.hidden = false;
  while (queue.length) {
    const file = queue.shift();
    byId("sending").textContent = `Sending ${file.name}; ${queue.length} more wait.`;
    try {
      verdict(await sendPhoto(file, (part) => { bar.max = sent + 1 + queue.length; bar.value = sent + part; }));
    } catch (e) {
      verdict({ name: file.name, keep: false, good: [], bad: [e.message] });
    }
    sent++;
  }
  sending = false;
  bar.hidden = true;
  byId("sending").textContent = `${sent} photos sent.`;
  load();
}

// verdict says in words and by a sign, not by colour alone, what a photo is
// worth.
function verdict(v) {
  const li = make("li", "", v.keep ? "keep" : "again");
  const where = v.plot ? `plot ${v.plot}, quadrat ${v.quadrat}` : "place not known";
  li.append(make("b", (v.keep ? "✓ Keep: " : "↻ Take it again: ") + (v.keep ? where : (v.bad || []).join(", ") || "not usable")));
  li.append(make("p", v.keep ? [...(v.good || []), ...(v.known ? ["was here already"] : [])].join(", ") : where));
  if (v.keep && (v.bad || []).length) li.append(make("p", "Note: " + v.bad.join(", ")));
  if (v.next) li.append(make("p", `Next: plot ${v.next.plot}, quadrat ${v.next.quadrat}.`));
  li.append(make("small", v.name));
  byId("verdicts").prepend(li);
}

for (const id of ["camera", "library"]) {
  byId(id).addEventListener("change", (e) => { sendAll([...e.target.files]); e.target.value = ""; });
}
byId("visit").addEventListener("change", (e) => { keep("visit", Number(e.target.value)); byId("spot").value = ""; load(); });
byId("store").addEventListener("click", storeCount);
byId("observer").addEventListener("change", (e) => keep("observer", e.target.value.trim()));
window.addEventListener("online", deliver);
load().then(deliver);
