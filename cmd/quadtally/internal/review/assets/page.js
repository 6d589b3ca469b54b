"use strict";
// The pages work without this file; it adds drawing, the live outline and the
// keys, and sends the form of a named plant without leaving the page.

const byId = (id) => document.getElementById(id);
const percent = (v) => (100 * v).toFixed(1) + " %";
const clamp = (v, lo, hi) => Math.min(Math.max(v, lo), hi);

// Board is a picture one can point at, with the mouse, a finger or the arrow
// keys. Positions are fractions of its width and height.
class Board {
  constructor(box, canvas) {
    this.box = box;
    this.canvas = canvas;
    this.cross = [0.5, 0.5];
    this.keyed = false;
    this.onPoint = this.onDrag = this.onLift = this.onBack = this.onDraw = () => {};
    let down = false;
    box.addEventListener("pointerdown", (e) => {
      if (e.button) return;
      down = true;
      this.keyed = false;
      box.setPointerCapture(e.pointerId);
      this.cross = this.at(e);
      this.onPoint(this.cross);
      this.draw();
    });
    box.addEventListener("pointermove", (e) => { if (down) { this.onDrag(this.at(e)); this.draw(); } });
    const lift = () => { if (down) { down = false; this.onLift(); this.draw(); } };
    box.addEventListener("pointerup", lift);
    box.addEventListener("pointercancel", lift);
    box.addEventListener("keydown", (e) => this.key(e));
    box.addEventListener("blur", () => this.draw());
    box.addEventListener("focus", () => this.draw());
    new ResizeObserver(() => this.draw()).observe(box);
  }
  at(e) {
    const r = this.box.getBoundingClientRect();
    return [clamp((e.clientX - r.left) / r.width, 0, 1), clamp((e.clientY - r.top) / r.height, 0, 1)];
  }
  key(e) {
    const step = e.shiftKey ? 0.05 : 0.005;
    const move = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (move) this.cross = [clamp(this.cross[0] + step * move[0], 0, 1), clamp(this.cross[1] + step * move[1], 0, 1)];
    else if (e.key === "Enter" || e.key === " ") { if (!e.repeat) { this.onPoint(this.cross); this.onLift(); } }
    else if (e.key === "Escape" || e.key === "Backspace") this.onBack(e.key);
    else return;
    this.keyed = true;
    e.preventDefault();
    this.draw();
  }
  // fit gives the canvas as many pixels as the screen shows of it.
  fit() {
    const r = this.box.getBoundingClientRect(), d = Math.min(window.devicePixelRatio || 1, 2);
    const w = Math.max(1, Math.round(r.width * d)), h = Math.max(1, Math.round(r.height * d));
    if (this.canvas.width !== w || this.canvas.height !== h) { this.canvas.width = w; this.canvas.height = h; }
    return [w, h];
  }
  draw() {
    const [w, h] = this.fit(), g = this.canvas.getContext("2d");
    g.clearRect(0, 0, w, h);
    this.onDraw(g, w, h);
    if (this.keyed && document.activeElement === this.box) {
      const x = this.cross[0] * w, y = this.cross[1] * h;
      for (const [colour, width] of [["#fff", 5], ["#000", 2]]) {
        g.strokeStyle = colour; g.lineWidth = width;
        g.beginPath(); g.moveTo(x - 18, y); g.lineTo(x + 18, y); g.moveTo(x, y - 18); g.lineTo(x, y + 18); g.stroke();
      }
    }
  }
}

function ring(g, w, h, points) {
  g.beginPath();
  points.forEach(([x, y], i) => (i ? g.lineTo(x * w, y * h) : g.moveTo(x * w, y * h)));
  g.closePath();
}

// regionsOf traces what brush strokes cover together: one ring for each
// connected area, its holes filled. Strokes are circles moved along points;
// positions and radius are fractions of the width, y of the height.
function regionsOf(strokes, radius, ratio) {
  const w = 480, h = Math.max(1, Math.round(w / ratio)), c = document.createElement("canvas");
  c.width = w; c.height = h;
  const g = c.getContext("2d", { willReadFrequently: true });
  g.lineCap = g.lineJoin = "round";
  g.lineWidth = 2 * radius * w;
  for (const s of strokes) {
    g.beginPath();
    g.moveTo(s[0][0] * w, s[0][1] * h);
    for (const p of s) g.lineTo(p[0] * w, p[1] * h);
    g.stroke();
  }
  const data = g.getImageData(0, 0, w, h).data;
  // Everything that the outside does not reach belongs to a region. A margin
  // of one cell lets the outside flow around regions at the edge.
  const W = w + 2, H = h + 2, outside = new Uint8Array(W * H), stack = [0];
  const covered = (x, y) => x > 0 && y > 0 && x <= w && y <= h && data[4 * ((y - 1) * w + x - 1) + 3] > 127;
  outside[0] = 1;
  while (stack.length) {
    const k = stack.pop(), x = k % W, y = (k - x) / W;
    for (const [u, v] of [[x + 1, y], [x - 1, y], [x, y + 1], [x, y - 1]]) {
      if (u < 0 || v < 0 || u >= W || v >= H || outside[v * W + u] || covered(u, v)) continue;
      outside[v * W + u] = 1;
      stack.push(v * W + u);
    }
  }
  const inside = new Uint8Array(w * h);
  for (let y = 0; y < h; y++) for (let x = 0; x < w; x++) inside[y * w + x] = outside[(y + 1) * W + x + 1] ? 0 : 1;
  return traced(inside, w, h).map((ring) => simplified(ring.map(([x, y]) => [x / w, y / h]), 1.2 / w)).filter((r) => r.length > 2);
}

// traced lists the rings around the cells that are on, with these on their
// right, as corners of cells; where two cells touch at a corner only, the ring
// keeps to its own cell. Corners lie where a ring turns.
function traced(on, w, h) {
  const W = w + 1, edges = new Uint8Array(W * (h + 1)), rings = [];
  const go = [[1, 0], [0, 1], [-1, 0], [0, -1]]; // right, down, left, up: bit d of edges
  for (let y = 0; y < h; y++) {
    for (let x = 0; x < w; x++) {
      if (!on[y * w + x]) continue;
      if (!y || !on[(y - 1) * w + x]) edges[y * W + x] |= 1;
      if (x === w - 1 || !on[y * w + x + 1]) edges[y * W + x + 1] |= 2;
      if (y === h - 1 || !on[(y + 1) * w + x]) edges[(y + 1) * W + x + 1] |= 4;
      if (!x || !on[y * w + x - 1]) edges[(y + 1) * W + x] |= 8;
    }
  }
  for (let k = 0; k < edges.length; k++) {
    while (edges[k]) {
      const ring = [];
      let at = k, d = 31 - Math.clz32(edges[k] & -edges[k]), was = -1;
      for (;;) {
        if (d !== was) ring.push([at % W, Math.floor(at / W)]);
        edges[at] &= ~(1 << d);
        at += go[d][0] + go[d][1] * W;
        was = d;
        if (!edges[at]) break;
        for (const turn of [1, 0, 3, 2]) { // turn right first
          if (edges[at] & (1 << ((d + turn) % 4))) { d = (d + turn) % 4; break; }
        }
      }
      rings.push(ring);
    }
  }
  return rings;
}

// simplified leaves out points of a ring that lie within far of the line
// between those that stay (the algorithm of Douglas and Peucker).
function simplified(ring, far) {
  const keep = new Uint8Array(ring.length), half = ring.length >> 1, spans = [[0, half], [half, ring.length]];
  const at = (i) => ring[i % ring.length];
  keep[0] = keep[half] = 1;
  while (spans.length) {
    const [a, b] = spans.pop(), p = at(a), q = at(b), dx = q[0] - p[0], dy = q[1] - p[1], long = Math.hypot(dx, dy);
    let most = far, cut = -1;
    for (let i = a + 1; i < b; i++) {
      const [x, y] = [at(i)[0] - p[0], at(i)[1] - p[1]], d = long ? Math.abs(x * dy - y * dx) / long : Math.hypot(x, y);
      if (d > most) { most = d; cut = i; }
    }
    if (cut >= 0) { keep[cut % ring.length] = 1; spans.push([a, cut], [cut, b]); }
  }
  return ring.filter((_, i) => keep[i]);
}

// How a class is drawn: by colour and by line style, so that either tells it.
// The names are codes of the page, not words.
const looks = {
  "weed": { colour: "#ff5a6e", dash: [] },
  "crop": { colour: "#6fc3ff", dash: [14, 5] },
  "regrowth": { colour: "#ffc24d", dash: [3, 5] },
  "not-a-plant": { colour: "#d9d9d9", dash: [9, 4, 2, 4] },
  "left-out": { colour: "#ffffff", dash: [2, 8] },
  "kind-1": { colour: "#ff9bd2", dash: [6, 3] },
  "kind-2": { colour: "#b7ff7a", dash: [10, 3, 2, 3] },
  "kind-3": { colour: "#7affe0", dash: [12, 3, 3, 3] },
  "kind-4": { colour: "#ffa64d", dash: [16, 3] },
  "kind-5": { colour: "#c9b6ff", dash: [6, 3, 2, 3, 2, 3] },
  "kind-6": { colour: "#ffe14d", dash: [20, 2] },
};

// line strokes a path with a light core on a dark rim, which stands out on
// soil, straw and leaf alike. Widths are in screen pixels.
function line(g, path, core, dash, scale) {
  g.setLineDash([]);
  g.lineJoin = "round";
  g.lineWidth = 4 * scale; g.strokeStyle = "#000"; g.stroke(path);
  g.lineWidth = 2 * scale; g.strokeStyle = core;
  g.setLineDash(dash.map((v) => v * scale));
  g.stroke(path);
  g.setLineDash([]);
}

// borders is the outline of the cells that are on, along their edges, in whole
// rings: a line style shows on them.
function borders(on, w, h, sx, sy) {
  const path = new Path2D();
  for (const ring of traced(on, w, h)) {
    ring.forEach(([x, y], i) => (i ? path.lineTo(x * sx, y * sy) : path.moveTo(x * sx, y * sy)));
    path.closePath();
  }
  return path;
}

// patches lists the connected green patches, in reading order: a cell inside
// and the number of cells of each.
function patches(on, w, h) {
  const seen = new Uint8Array(w * h), out = [];
  for (let i = 0; i < on.length; i++) {
    if (!on[i] || seen[i]) continue;
    const stack = [i];
    let n = 0;
    seen[i] = 1;
    while (stack.length) {
      const k = stack.pop(), x = k % w, y = (k - x) / w;
      n++;
      for (let dy = -1; dy <= 1; dy++) {
        for (let dx = -1; dx <= 1; dx++) {
          const u = x + dx, v = y + dy, j = v * w + u;
          if (u >= 0 && v >= 0 && u < w && v < h && on[j] && !seen[j]) { seen[j] = 1; stack.push(j); }
        }
      }
    }
    if (n >= 4) out.push({ at: [((i % w) + 0.5) / w, (Math.floor(i / w) + 0.5) / h], cells: n });
  }
  return out;
}

// kept remembers a choice while one goes from photo to photo.
const kept = (name) => { try { return sessionStorage.getItem(name); } catch { return null; } };
const keep = (name, v) => { try { sessionStorage.setItem(name, v); } catch { /* the choice is then forgotten */ } };

// trouble says on the page what could not be done.
function trouble(text) {
  const t = byId("trouble");
  if (t) { t.textContent = text; t.hidden = !text; }
}

// send posts a form and stays on the page.
async function send(form, extra, to) {
  const body = new URLSearchParams(new FormData(form));
  for (const [k, v] of Object.entries(extra || {})) body.set(k, v);
  const r = await fetch(to || form.action, { method: "POST", body, headers: { Accept: "application/json" } });
  const answer = await r.json();
  if (!r.ok) throw new Error(answer.fault || "it was not stored");
  return answer;
}

function photoPage(box) {
  const hash = box.dataset.hash;
  let areas = JSON.parse(box.dataset.areas || "null") || [];
  const green = byId("green"), board = new Board(box, byId("drawn"));
  const outline = byId("outline"), showAreas = byId("areas"), markForm = byId("markform");
  const whole = byId("whole"), lens = byId("lens"), picture = byId("picture"), loupe = byId("loupe");
  const tool = () => whole.checked ? "look" : (document.querySelector("input[name=tool]:checked") || { value: "look" }).value;
  const chosen = () => (document.querySelector("#markform input[name=class]:checked") || { value: "" }).value;
  let plane = null, level = 1, on = null, found = null, patch = -1, sorted = null, outlines = null, seenClasses = [];
  const classes = JSON.parse(box.dataset.classes || "null") || [];
  const lookOf = (c) => looks[(classes.find((k) => k.class === c) || { look: c }).look] || looks["left-out"];
  const nameOf = (c) => (classes.find((k) => k.class === c) || { name: c === "left-out" ? "left out" : c }).name;
  let polygon = [], strokes = [], brushed = [], stroke = null, spot = null, sending = false;
  const ratio = () => { const r = box.getBoundingClientRect(); return r.width / Math.max(r.height, 1); };
  const scale = () => green.width / Math.max(1, box.clientWidth);

  function redraw() {
    const g = green.getContext("2d"), r = box.getBoundingClientRect(), d = Math.min(window.devicePixelRatio || 1, 2);
    green.width = Math.max(1, Math.round(r.width * d)); green.height = Math.max(1, Math.round(r.height * d));
    if (!plane) return;
    if (!on) {
      on = new Uint8Array(plane.levels.length);
      for (let i = 0; i < on.length; i++) on[i] = plane.levels[i] >= level && plane.levels[i] !== 255 ? 1 : 0;
      found = null;
    }
    if (outline.checked) {
      const sx = green.width / plane.w, sy = green.height / plane.h;
      outlines = outlines || outlined();
      for (const o of outlines) {
        const path = new Path2D();
        path.addPath(o.path, new DOMMatrix([sx, 0, 0, sy, 0, 0]));
        line(g, path, o.look.colour, o.look.dash, scale());
      }
    }
    legend();
    box.dataset.level = level;
  }

  // outlined is the outline of the green: of each class the green is sorted
  // into in its colour and line style, or of all of it in white.
  function outlined() {
    if (!sorted) return [{ path: borders(on, plane.w, plane.h, 1, 1), look: { colour: "#fff", dash: [] } }];
    const out = [];
    seenClasses = [];
    [null, ...sorted.classes].forEach((c, k) => {
      const mine = new Uint8Array(on.length);
      let some = false;
      for (let i = 0; i < on.length; i++) if (on[i] && sorted.cells[i] === k) { mine[i] = 1; some = true; }
      if (some && c !== null) seenClasses.push(c);
      if (some) out.push({ path: borders(mine, plane.w, plane.h, 1, 1), look: c === null ? { colour: "#fff", dash: [] } : lookOf(c) });
    });
    return out;
  }
  // legend says what the outlines in this photo mean.
  function legend() {
    const box = byId("legend");
    box.hidden = !outline.checked || !sorted || !seenClasses.length;
    box.replaceChildren(...(box.hidden ? [] : ["sorted by the plants named: ", ...seenClasses.flatMap((c) => {
      const s = document.createElement("span");
      s.className = "swatch " + (classes.find((k) => k.class === c) || {}).look;
      return [s, " " + nameOf(c) + "  "];
    })]));
  }
  // sort asks how the green is told apart by the plants named so far.
  let asking = 0;
  function sort() {
    const mine = ++asking;
    return fetch(`/photo/${hash}/sorted`).then((r) => (r.ok ? r.arrayBuffer() : Promise.reject())).then((b) => {
      if (mine !== asking) return; // a newer name was given meanwhile
      const n = new DataView(b).getUint32(0, true), cells = new Uint8Array(b, 4 + n);
      sorted = cells.length ? { classes: JSON.parse(new TextDecoder().decode(new Uint8Array(b, 4, n))), cells } : null;
      outlines = null;
      redraw();
      box.dataset.sorted = sorted ? sorted.classes.join(" ") : "no";
    }).catch(() => trouble("How the plants are told apart could not be drawn: reload the page. Nothing is wrong with what is stored."));
  }

  fetch(`/photo/${hash}/plane`).then((r) => (r.ok ? r.arrayBuffer() : Promise.reject())).then((b) => {
    const head = new DataView(b);
    plane = { w: head.getUint32(0, true), h: head.getUint32(4, true), levels: new Uint8Array(b, 12) };
    level = head.getUint32(8, true);
    redraw();
    box.dataset.ready = "yes";
    sort();
  }).catch(() => trouble("The outline of the green could not be drawn: reload the page. Nothing is wrong with what is stored."));
  // The whole photo takes the place of the ground inside the frame; what is
  // drawn and pointed at belongs to the ground and rests meanwhile.
  const size = [picture.getAttribute("width"), picture.getAttribute("height")];
  const fitTo = (w, h) => { if (w > 0 && h > 0) box.style.setProperty("--ratio", w / h); };
  fitTo(...size);
  picture.addEventListener("load", () => fitTo(picture.naturalWidth, picture.naturalHeight));
  function change() {
    box.classList.toggle("whole-view", whole.checked);
    for (const [i, name] of ["width", "height"].entries()) {
      if (whole.checked) picture.removeAttribute(name); else picture.setAttribute(name, size[i]);
    }
    picture.src = `/picture/${hash}/${whole.checked ? "upright" : "straight"}`;
    if (byId("tools")) byId("tools").disabled = whole.checked;
    if (byId("tools")) choose();
    sharpen();
  }
  // The loupe shows the spot under the pointer, or the cross, from a finer
  // picture as soon as that is there.
  let fine = null;
  function sharpen() {
    loupe.hidden = true;
    fine = null;
    if (!lens.checked) return;
    fine = new Image();
    fine.src = `/picture/${hash}/${whole.checked ? "full" : "close"}`;
  }
  function peer([x, y]) {
    if (!lens.checked) return;
    const img = fine && fine.complete && fine.naturalWidth ? fine : picture, g = loupe.getContext("2d"), n = loupe.width;
    const part = (n / 4) * (img.naturalWidth / Math.max(1, box.clientWidth));
    g.fillStyle = "#e8e5da"; g.fillRect(0, 0, n, n);
    g.drawImage(img, x * img.naturalWidth - part / 2, y * img.naturalHeight - part / 2, part, part, 0, 0, n, n);
    loupe.hidden = false;
    loupe.classList.toggle("right", x < 0.5);
  }
  // The next photo is drawn while one looks at this one.
  const ahead = document.querySelector("a[rel=next]");
  const prepare = () => { if (ahead) new Image().src = `/picture/${ahead.pathname.split("/")[2]}/straight`; };
  if (picture.complete) prepare(); else picture.addEventListener("load", prepare, { once: true });
  whole.addEventListener("change", change);
  lens.addEventListener("change", sharpen);
  box.addEventListener("pointermove", (e) => peer(board.at(e)));
  box.addEventListener("pointerdown", (e) => peer(board.at(e)));
  box.addEventListener("keyup", () => { if (board.keyed) peer(board.cross); });
  box.addEventListener("pointerleave", () => { loupe.hidden = true; });
  outline.addEventListener("change", redraw);
  showAreas.addEventListener("change", () => board.draw());
  new ResizeObserver(redraw).observe(box);

  // What is drawn so far goes into the forms, and is said.
  function describe() {
    const out = brushed.slice();
    if (polygon.length > 2) out.push(polygon);
    const text = byId("areatext");
    if (text) text.value = out.map((a) => a.map((p) => p.map((v) => v.toFixed(5)).join(",")).join(" ")).join(";");
    const said = byId("areasaid");
    if (said) {
      said.textContent = tool() === "brush" ? (strokes.length ? `${brushed.length === 1 ? "One region is" : brushed.length + " regions are"} brushed over.` : "Brush over what does not belong to the ground.")
        : polygon.length < 3 ? `${polygon.length} of at least 3 corners are set.` : `A region of ${polygon.length} corners.`;
    }
    const at = byId("at");
    if (at) at.value = spot ? spot.map((v) => v.toFixed(6)).join(",") : "";
  }
  const isGreen = (p) => plane && on && on[Math.min(plane.h - 1, Math.floor(p[1] * plane.h)) * plane.w + Math.min(plane.w - 1, Math.floor(p[0] * plane.w))];
  // sayAt says what became of a spot: to a screen reader beside the classes, and
  // for a while on the photo, for the classes may lie below what is in sight.
  let silent = 0;
  function sayAt(text) {
    const asked = byId("asking")?.hidden === false;
    for (const s of [byId("atsaid"), asked && byId("askingsaid")]) if (s) s.textContent = text;
    const seen = byId("spotsaid");
    seen.textContent = text;
    seen.hidden = asked;
    clearTimeout(silent);
    silent = setTimeout(() => { seen.hidden = true; }, 6000);
  }

  // take shows what became of the photo.
  function take(answer) {
    areas = answer.areas || [];
    const n = answer.numbers;
    if (n) {
      const b = document.createElement("b");
      b.textContent = percent(n.cover);
      byId("number").replaceChildren(b, " " + n.quantity);
      byId("numberrange").textContent = `In about nine of ten photos like this one a careful hand mask lies between ${percent(n.lo)} and ${percent(n.hi)}. Pieces: ${n.pieces}; touching plants are one piece.`;
      byId("numbernotes").replaceChildren(...(n.notes || []).map((text) => { const p = document.createElement("p"); p.textContent = text; return p; }));
    }
    const undo = byId("unname");
    undo.hidden = !answer.entry;
    undo.dataset.entry = answer.entry || "";
    sayAt(answer.said + ".");
    board.draw();
    sort();
  }
  // unname takes the last naming back.
  async function unname() {
    const entry = byId("unname").dataset.entry;
    if (!entry || sending) return;
    sending = true;
    box.dataset.sending = "yes";
    sayAt("Taking it back …");
    try {
      take(await send(markForm, { photo: hash }, "/undo/" + entry));
      box.focus();
    } catch (e) {
      sayAt("Not taken back: " + e.message);
    }
    sending = false;
    box.dataset.sending = "no";
  }

  // name says what the plant at the spot is, at once.
  async function name() {
    if (!spot || sending) return;
    if (!isGreen(spot)) { sayAt("There is no green at that spot."); return; }
    if (!chosen()) { sayAt("A patch of green is picked: press the key of its class."); return; }
    sending = true;
    box.dataset.sending = "yes";
    const what = chosen();
    sayAt(`Storing: ${nameOf(what)} …`);
    try {
      const answer = await send(markForm, { at: spot.map((v) => v.toFixed(6)).join(","), class: what });
      spot = null;
      take(answer);
      // Asked about one plant, the page leads on to the next, in another photo.
      if (new URLSearchParams(location.search).has("at")) location.assign(`/visit/${box.dataset.visit}/unsure?after=${hash}`);
    } catch (e) {
      sayAt("Not stored: " + e.message);
    }
    sending = false;
    box.dataset.sending = "no";
    board.draw();
  }

  function over() { polygon = []; strokes = []; brushed = []; stroke = null; spot = null; describe(); board.draw(); }
  const radius = 0.02;
  board.onPoint = (p) => {
    if (tool() === "polygon") polygon.push(p);
    if (tool() === "patch") { spot = p; describe(); name(); }
    if (tool() === "brush") { stroke = [p]; strokes.push(stroke); }
    describe();
  };
  board.onDrag = (p) => { if (stroke) stroke.push(p); };
  board.onLift = () => {
    if (!stroke) return;
    stroke = null;
    brushed = regionsOf(strokes, radius, ratio());
    describe();
  };
  function back() {
    polygon.pop();
    strokes.pop();
    brushed = regionsOf(strokes, radius, ratio());
    describe();
    board.draw();
  }
  board.onBack = (key) => { if (key === "Backspace") back(); else over(); };
  board.onDraw = (g, w, h) => {
    const s = w / Math.max(1, box.clientWidth);
    if (showAreas.checked) {
      for (const a of areas) {
        const look = lookOf(a.class), name = nameOf(a.class), path = new Path2D();
        a.points.forEach(([x, y], i) => (i ? path.lineTo(x * w, y * h) : path.moveTo(x * w, y * h)));
        path.closePath();
        line(g, path, look.colour, look.dash, s);
        const x = Math.min(...a.points.map((p) => p[0])) * w, y = Math.min(...a.points.map((p) => p[1])) * h;
        g.font = `${Math.round(13 * s)}px sans-serif`;
        const wide = g.measureText(name).width, tall = 18 * s;
        g.fillStyle = "#111";
        g.fillRect(x, Math.max(0, y - tall), wide + 10 * s, tall);
        g.fillStyle = look.colour;
        g.fillText(name, x + 5 * s, Math.max(0, y - tall) + tall * 0.75);
      }
    }
    g.fillStyle = "rgba(28, 38, 34, .55)";
    for (const k of brushed) { ring(g, w, h, k); g.fill(); }
    if (stroke) {
      g.lineCap = g.lineJoin = "round"; g.lineWidth = 2 * radius * w; g.strokeStyle = "rgba(28, 38, 34, .55)";
      g.beginPath(); g.moveTo(stroke[0][0] * w, stroke[0][1] * h);
      for (const [x, y] of stroke) g.lineTo(x * w, y * h);
      g.stroke();
      g.lineCap = "butt";
    }
    if (polygon.length) {
      ring(g, w, h, polygon);
      g.fill();
      g.lineWidth = 3; g.strokeStyle = "#ffd23f"; g.stroke();
      g.fillStyle = "#ffd23f";
      for (const [x, y] of polygon) g.fillRect(x * w - 5, y * h - 5, 10, 10);
    }
    if (spot && tool() === "patch") {
      const path = new Path2D(), x = spot[0] * w, y = spot[1] * h, r = 16 * s;
      path.arc(x, y, r, 0, 7);
      for (const [u, v] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) { path.moveTo(x + u * r, y + v * r); path.lineTo(x + 1.8 * u * r, y + 1.8 * v * r); }
      line(g, path, "#ffd23f", [], 1.4 * s);
    }
  };
  function choose() {
    for (const f of document.querySelectorAll("form[data-tool]")) f.hidden = !f.dataset.tool.split(" ").includes(tool());
    box.style.touchAction = tool() === "look" ? "auto" : "none";
    keep("tool", tool());
    over();
  }
  if (byId("tools")) {
    // Tool and class stay chosen from photo to photo.
    const was = document.querySelector(`input[name=tool][value="${kept("tool") || "look"}"]`);
    if (was) was.checked = true;
    for (const c of document.querySelectorAll("#markform input[name=class]")) c.checked = c.value === kept("class");
    byId("tools").addEventListener("change", choose);
    markForm.addEventListener("change", (e) => {
      if (e.target.name !== "class") return;
      keep("class", e.target.value);
      if (tool() !== "patch") { document.querySelector("input[name=tool][value=patch]").checked = true; choose(); }
      name();
    });
    markForm.addEventListener("submit", (e) => { e.preventDefault(); spot = spot || board.cross; describe(); name(); });
    byId("unname").addEventListener("click", unname);
    byId("startover").addEventListener("click", over);
    // On a phone the tools stay folded until they are asked for.
    byId("toolbox").open = !matchMedia("(max-width: 52rem)").matches || tool() !== "look";
    byId("backone").addEventListener("click", back);
    choose();
    // Led here to be asked about one plant: no class stays chosen from before.
    const asked = (new URLSearchParams(location.search).get("at") || "").split(",").map(Number);
    if (asked.length === 2 && asked.every((v) => v >= 0 && v <= 1)) {
      document.querySelector("input[name=tool][value=patch]").checked = true;
      choose();
      for (const c of document.querySelectorAll("#markform input[name=class]")) c.checked = false;
      byId("toolbox").open = true;
      spot = asked;
      board.cross = asked;
      describe();
      board.draw();
      const asking = byId("asking");
      if (asking) {
        asking.hidden = false;
        document.body.classList.add("naming"); // another question than the photo's own
        for (const b of asking.querySelectorAll("button")) {
          b.addEventListener("click", () => pick(document.querySelector(`#markform input[value="${CSS.escape(b.dataset.class)}"]`)));
        }
      }
    }
  }

  // toPatch leads the cross from patch to patch.
  function toPatch(step) {
    if (!plane || !on) return;
    found = found || patches(on, plane.w, plane.h);
    if (!found.length) { sayAt("There is no green in this photo."); return; }
    patch = (patch + step + found.length) % found.length;
    const p = found[patch];
    board.cross = p.at;
    board.keyed = true;
    box.focus();
    board.draw();
    sayAt(`Patch ${patch + 1} of ${found.length}, ${percent(p.cells / on.length)} of the ground.`);
  }

  // pick names the plant that is pointed at, and those pointed at from now on.
  function pick(c) {
    const at = spot;
    if (tool() !== "patch") { document.querySelector("input[name=tool][value=patch]").checked = true; choose(); spot = at; }
    c.checked = true;
    keep("class", c.value);
    if (board.keyed && document.activeElement === box) { spot = board.cross; describe(); }
    name();
  }

  return (key) => {
    const radios = document.querySelectorAll("input[name=tool]");
    if (key >= "1" && key <= "4" && radios.length && !byId("aside")?.open) { radios[key - 1].checked = true; choose(); box.focus(); return true; }
    if (key === "z" || key === "l") { const c = key === "z" ? whole : lens; c.checked = !c.checked; if (c === whole) change(); else sharpen(); return true; }
    if (key === "o") { outline.checked = !outline.checked; redraw(); return true; }
    if (key === "." || key === ",") { toPatch(key === "." ? 1 : -1); return true; }
    const c = document.querySelector(`#markform input[data-key="${CSS.escape(key)}"]`);
    if (c) {
      pick(c);
      return true;
    }
    return false;
  };
}

// thresholdPage lets one move a visit's threshold and see what it does.
function thresholdPage(form) {
  const slider = byId("slider"), visit = form.dataset.visit;
  fetch(`/visit/${visit}/thresholds`).then((r) => (r.ok ? r.json() : Promise.reject())).then((t) => {
    // The slider walks over the thresholds a visit can have; the value itself
    // goes into the form.
    const value = document.createElement("input");
    value.type = "hidden"; value.name = "value";
    slider.removeAttribute("name");
    slider.after(value);
    Object.assign(slider, { min: 0, max: t.values.length - 1, step: 1 });
    slider.value = t.now;
    const curve = byId("curve"), g = curve.getContext("2d");
    const move = () => {
      const i = Number(slider.value);
      value.value = t.values[i];
      slider.setAttribute("aria-valuetext", t.values[i].toFixed(4));
      let text = `Threshold ${t.values[i].toFixed(4)}: mean green cover of the ${(t.photos || []).length} photos in use, plots weighed alike, ${t.mean ? percent(t.mean[i]) : "none"}`;
      if (t.mean && t.mean[i] !== t.mean_now) text += ` (now ${percent(t.mean_now)})`;
      byId("effect").textContent = text + ".";
      const w = curve.width, h = curve.height, most = Math.max(...(t.mean || [1]), 1e-6);
      g.clearRect(0, 0, w, h);
      g.strokeStyle = "#0c5546"; g.lineWidth = 3;
      g.beginPath();
      (t.mean || []).forEach((m, k) => { const x = (k / (t.values.length - 1)) * w, y = h - 12 - (m / most) * (h - 24); if (k) g.lineTo(x, y); else g.moveTo(x, y); });
      g.stroke();
      for (const [k, colour] of [[t.now, "#4d5a54"], [i, "#b35900"]]) {
        const x = (k / (t.values.length - 1)) * w;
        g.strokeStyle = colour; g.lineWidth = 2;
        g.beginPath(); g.moveTo(x, 0); g.lineTo(x, h); g.stroke();
      }
      const movers = byId("movers");
      movers.textContent = "";
      const by = (p) => p.covers[i] - p.now;
      for (const p of [...(t.photos || [])].sort((a, b) => Math.abs(by(b)) - Math.abs(by(a))).slice(0, 6)) {
        if (by(p) === 0) break;
        const li = document.createElement("li"), a = document.createElement("a"), img = document.createElement("img"), s = document.createElement("span");
        a.href = `/photo/${p.hash}?` + new URLSearchParams([...new URLSearchParams(location.search)].filter(([k]) => k !== "photo"));
        img.src = `/picture/${p.hash}/small`; img.alt = ""; img.width = img.height = 150;
        s.className = "spot";
        s.textContent = `${p.spot}: ${percent(p.now)} to ${percent(p.covers[i])}`;
        a.append(img, s); li.append(a); movers.append(li);
      }
    };
    slider.addEventListener("input", move);
    move();
    slider.dataset.ready = "yes";
  }).catch(() => trouble("What the thresholds do could not be read: reload the page."));
}

function framePage(box) {
  const canvas = box.querySelector("canvas"), form = byId("frameform");
  const field = (axis, n) => form.elements[axis + n];
  const place = (n) => [Number(field("x", n).value) / 100, Number(field("y", n).value) / 100];
  function draw() {
    const r = box.getBoundingClientRect();
    canvas.width = r.width; canvas.height = r.height;
    const g = canvas.getContext("2d"), points = [1, 2, 3, 4].map(place);
    ring(g, r.width, r.height, points);
    g.lineWidth = 5; g.strokeStyle = "#fff"; g.stroke();
    g.lineWidth = 2; g.strokeStyle = "#0c5546"; g.stroke();
    for (const b of box.querySelectorAll(".corner")) {
      const [x, y] = points[b.dataset.corner - 1];
      b.style.left = 100 * x + "%"; b.style.top = 100 * y + "%";
    }
  }
  // The loupe shows the corner being moved four times as large.
  const loupe = byId("loupe"), img = box.querySelector("img");
  function look(n) {
    const [x, y] = place(n), g = loupe.getContext("2d"), size = loupe.width, r = box.getBoundingClientRect();
    const part = (size / 4) * (img.naturalWidth / Math.max(1, r.width));
    g.fillStyle = "#e8e5da"; g.fillRect(0, 0, size, size);
    g.drawImage(img, x * img.naturalWidth - part / 2, y * img.naturalHeight - part / 2, part, part, 0, 0, size, size);
    const cross = new Path2D();
    cross.moveTo(0, size / 2); cross.lineTo(size, size / 2); cross.moveTo(size / 2, 0); cross.lineTo(size / 2, size);
    line(g, cross, "#fff", [], 0.6);
    loupe.hidden = false;
    loupe.classList.toggle("right", x < 0.5);
  }
  function put(n, x, y) {
    field("x", n).value = (100 * clamp(x, -0.5, 1.5)).toFixed(3);
    field("y", n).value = (100 * clamp(y, -0.5, 1.5)).toFixed(3);
    draw();
    look(n);
  }
  for (const b of box.querySelectorAll(".corner")) {
    const n = Number(b.dataset.corner);
    let from = null;
    b.addEventListener("focus", () => look(n));
    b.addEventListener("pointerdown", (e) => {
      if (e.button) return;
      b.setPointerCapture(e.pointerId);
      from = { x: e.clientX, y: e.clientY, at: place(n) };
    });
    b.addEventListener("pointermove", (e) => {
      if (!from) return;
      const r = box.getBoundingClientRect();
      put(n, from.at[0] + (e.clientX - from.x) / r.width, from.at[1] + (e.clientY - from.y) / r.height);
    });
    b.addEventListener("pointerup", () => { from = null; });
    b.addEventListener("pointercancel", () => { from = null; });
    b.addEventListener("keydown", (e) => {
      const move = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
      if (!move) return;
      const [x, y] = place(n), step = e.shiftKey ? 0.02 : 0.001;
      put(n, x + step * move[0], y + step * move[1]);
      e.preventDefault();
    });
  }
  // A click on the photo brings the nearest corner there, and where the other
  // corners are known already it is stored at once.
  const known = box.dataset.known === "yes", said = byId("framesaid"), undo = byId("unframe");
  let touched = new Set(), sending = false;
  async function store(text, extra, to) {
    if (sending) return;
    sending = true;
    said.textContent = text;
    try {
      const answer = await send(form, extra, to);
      said.textContent = answer.said + ".";
      undo.hidden = !answer.entry;
      undo.dataset.entry = answer.entry || "";
      if (to) location.reload();
    } catch (e) {
      said.textContent = "Not stored: " + e.message;
    }
    sending = false;
  }
  const moved = (n) => {
    touched.add(n);
    if (!byId("storecorners")) return; // nothing can be stored here
    if (known || touched.size === 4) store("Measuring again …");
    else said.textContent = `${4 - touched.size} corners are still to be set.`;
  };
  const at = (e) => { const r = box.getBoundingClientRect(); return [(e.clientX - r.left) / r.width, (e.clientY - r.top) / r.height]; };
  let held = 0;
  box.addEventListener("pointerdown", (e) => {
    if (e.button || sending || e.target.closest(".corner")) return;
    const [x, y] = at(e), r = box.getBoundingClientRect();
    const far = (n) => Math.hypot((place(n)[0] - x) * r.width, (place(n)[1] - y) * r.height);
    const free = [1, 2, 3, 4].filter((n) => known || !touched.has(n));
    if (!free.length) free.push(1, 2, 3, 4);
    held = free.reduce((a, b) => (far(b) < far(a) ? b : a));
    box.setPointerCapture(e.pointerId);
    put(held, x, y);
    e.preventDefault();
  });
  box.addEventListener("pointermove", (e) => { if (held) put(held, ...at(e)); });
  box.addEventListener("pointerup", () => { const n = held; held = 0; if (n) moved(n); });
  box.addEventListener("pointercancel", () => { held = 0; });
  for (const b of box.querySelectorAll(".corner")) b.addEventListener("pointerup", () => moved(Number(b.dataset.corner)));
  if (undo) undo.addEventListener("click", () => store("Taking it back …", { photo: box.dataset.hash }, "/undo/" + undo.dataset.entry));
  form.addEventListener("input", draw);
  new ResizeObserver(draw).observe(box);
  draw();
  return (key) => {
    if (key >= "1" && key <= "4") { box.querySelector(`.corner[data-corner="${key}"]`).focus(); return true; }
    return false;
  };
}

function countPage(box) {
  const board = new Board(box, box.querySelector("canvas")), form = byId("countform");
  const dots = [];
  const current = () => form.querySelector("input[name=class_now]:checked").value;
  const number = (which) => byId("plants" + which);
  const add = (which, n) => { const f = number(which); f.value = Math.max(0, Number(f.value || 0) + n); };
  const colours = ["#ffd23f", "#6fd3ff", "#ff9bd2", "#b7ff7a", "#ffffff", "#ffa64d"];
  board.onPoint = (p) => { dots.push([p, current()]); add(current(), 1); };
  board.onBack = () => { const d = dots.pop(); if (d) add(d[1], -1); board.draw(); };
  byId("backone").addEventListener("click", board.onBack);
  board.onDraw = (g, w, h) => {
    const s = w / Math.max(1, box.clientWidth);
    dots.forEach(([[x, y], which], i) => {
      g.beginPath(); g.arc(x * w, y * h, 10 * s, 0, 7);
      g.fillStyle = colours[(which === "new" ? 5 : Number(which)) % 6]; g.fill();
      g.lineWidth = 2; g.strokeStyle = "#000"; g.stroke();
      g.fillStyle = "#000"; g.font = `${Math.round(12 * s)}px sans-serif`; g.textAlign = "center";
      g.fillText(String(i + 1), x * w, y * h + 4 * s);
    });
  };
  return (key) => {
    const radios = form.querySelectorAll("input[name=class_now]");
    if (key >= "1" && key <= "9" && radios[key - 1]) { radios[key - 1].checked = true; box.focus(); return true; }
    return false;
  };
}

// evidence enlarges one picture after the other over the page.
function evidence(links) {
  const dialog = byId("large"), picture = byId("largepicture");
  let at = -1;
  const finer = { straight: "close", small: "straight", upright: "full" };
  const show = (i) => {
    at = i % links.length;
    const [, , hash, view] = links[at].pathname.split("/");
    picture.src = `/picture/${hash}/${finer[view] || view}`;
    picture.alt = byId("largetext").textContent = links[at].textContent.trim();
    if (!dialog.open) dialog.showModal();
  };
  links.forEach((a, i) => a.addEventListener("click", (e) => { e.preventDefault(); show(i); }));
  for (const e of [picture, byId("closelarge")]) e.addEventListener("click", () => dialog.close());
  byId("nextlarge").addEventListener("click", () => show(at + 1));
  return () => show(at + 1);
}

document.addEventListener("DOMContentLoaded", () => {
  let keys = () => false;
  if (byId("board")) keys = photoPage(byId("board"));
  if (byId("corners")) keys = framePage(byId("corners"));
  if (byId("countboard")) keys = countPage(byId("countboard"));
  if (byId("thresholdform")) thresholdPage(byId("thresholdform"));
  if (byId("large")) {
    const others = keys, next = evidence([...document.querySelectorAll(".evidence a")]);
    keys = (key) => (key === "v" ? (next(), true) : byId("large").open ? false : others(key));
  }
  for (const img of document.querySelectorAll("img.whole")) {
    img.addEventListener("error", () => { img.hidden = true; byId("nopicture").hidden = false; });
    if (img.complete && !img.naturalWidth) img.dispatchEvent(new Event("error"));
  }
  // A form is sent once, however often its button is pressed; and the second
  // press of a double click or a bounced key, which may arrive when the next
  // photo is there already, is not an answer about that one.
  // Nor is an answer about a photo that is not there to be seen yet.
  const seen = byId("picture") || document.querySelector("img.whole");
  const early = () => !document.documentElement.dataset.answerable;
  document.documentElement.dataset.answerable = "";
  const arrived = new Promise((done) => {
    if (!seen || seen.complete) done();
    else for (const what of ["load", "error"]) seen.addEventListener(what, done);
  });
  Promise.all([arrived, new Promise((done) => setTimeout(done, 350))]).then(() => {
    document.documentElement.dataset.answerable = "yes";
    if (byId("tooearly")) byId("tooearly").hidden = true;
  });
  const tooEarly = () => { if (byId("tooearly") && !seen.complete) byId("tooearly").hidden = false; };
  document.addEventListener("submit", (e) => {
    if (e.defaultPrevented) return;
    if (e.target.method === "post" && early()) { e.preventDefault(); tooEarly(); return; }
    if (e.target.dataset.sent) { e.preventDefault(); return; }
    if (e.target.method === "post") e.target.dataset.sent = "yes";
  });
  window.addEventListener("pageshow", () => { for (const f of document.forms) delete f.dataset.sent; });
  const follow = (rel) => { const a = document.querySelector(`a[rel=${rel}]`); if (a) a.click(); };
  document.addEventListener("keydown", (e) => {
    if (e.repeat || e.ctrlKey || e.metaKey || e.altKey || /^(INPUT|SELECT|TEXTAREA)$/.test(e.target.tagName) && !/^(checkbox|radio|range)$/.test(e.target.type)) return;
    if (keys(e.key)) { e.preventDefault(); return; }
    const aside = byId("aside");
    if (aside && aside.open && e.key >= "1" && e.key <= "9") {
      const b = aside.querySelector(`button[data-key="${e.key - 1}"]`);
      if (b) { e.preventDefault(); b.click(); return; }
    }
    // What was done last comes first: a plant named here, then what led here.
    // While a name is on its way neither is the last.
    if (e.key === "u" && byId("board")?.dataset.sending !== "yes") {
      const here = [byId("unname"), byId("unframe")].find((b) => b && !b.hidden);
      const undo = here || document.querySelector(".said form button");
      if (undo) undo.click();
    }
    if (e.key === "n") follow("next");
    if (e.key === "p") follow("prev");
    if (!/^[a-z]$/.test(e.key)) return;
    const answer = document.querySelector(`#answers [data-key="${e.key}"]`);
    if (answer && early()) tooEarly();
    else if (answer) { e.preventDefault(); answer.click(); const f = answer.parentElement.querySelector("select, button, input:not([type=hidden])"); if (f && answer.tagName === "SUMMARY") f.focus(); }
  });
});
