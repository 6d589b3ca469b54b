"use strict";
// The pages work without this file; it adds drawing, the live outline and the
// keys. It sends nothing by itself: every change is a form the reader posts.

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
    else if (e.key === "Enter" || e.key === " ") { this.onPoint(this.cross); this.onLift(); }
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

// capsule is the outline of a round brush moved from a to b.
function capsule(a, b, radius, ratio) {
  const turn = Math.atan2((b[1] - a[1]) / ratio, b[0] - a[0]), out = [];
  for (let i = 0; i < 10; i++) {
    const t = turn + Math.PI / 2 + (Math.PI * (i % 5)) / 4 + (i < 5 ? 0 : Math.PI), c = i < 5 ? a : b;
    out.push([clamp(c[0] + radius * Math.cos(t), 0, 1), clamp(c[1] + radius * ratio * Math.sin(t), 0, 1)]);
  }
  return out;
}

const areaWords = { "left out": "#222", weed: "#b00020", crop: "#004ea8", "cover-crop regrowth": "#6a3d00", "not a plant": "#555" };

function photoPage(box) {
  const hash = box.dataset.hash, areas = JSON.parse(box.dataset.areas || "null") || [];
  const green = byId("green"), board = new Board(box, byId("drawn"));
  const outline = byId("outline"), showAreas = byId("areas"), slider = byId("slider");
  const tool = () => document.querySelector("input[name=tool]:checked").value;
  let plane = null, table = null, level = 1;
  let polygon = [], strokes = [], stroke = null, spot = null;
  const ratio = () => { const r = box.getBoundingClientRect(); return r.width / Math.max(r.height, 1); };

  // Outline: green cells that have a neighbour that is not.
  function redraw() {
    const g = green.getContext("2d");
    const w = plane ? Math.min(plane.w, 1000) : 1, h = plane ? Math.max(1, Math.round((w * plane.h) / plane.w)) : 1;
    if (green.width !== w || green.height !== h) { green.width = w; green.height = h; }
    g.clearRect(0, 0, w, h);
    if (!plane || !outline.checked) return;
    const on = new Uint8Array(w * h), cells = plane.levels;
    for (let y = 0; y < h; y++) {
      const row = Math.min(plane.h - 1, Math.floor(((y + 0.5) * plane.h) / h)) * plane.w;
      for (let x = 0; x < w; x++) {
        const v = cells[row + Math.min(plane.w - 1, Math.floor(((x + 0.5) * plane.w) / w))];
        on[y * w + x] = v >= level && v !== 255 ? 1 : 0;
      }
    }
    const img = g.createImageData(w, h), pix = img.data;
    for (let y = 0, i = 0; y < h; y++) {
      for (let x = 0; x < w; x++, i++) {
        if (!on[i] || (x && y && x < w - 1 && y < h - 1 && on[i - 1] && on[i + 1] && on[i - w] && on[i + w])) continue;
        pix[4 * i] = 255; pix[4 * i + 2] = 220; pix[4 * i + 3] = 255;
      }
    }
    g.putImageData(img, 0, 0);
    box.dataset.level = level;
  }

  function effect() {
    if (!table) return;
    const i = clamp(Math.round(Number(slider.value)), 0, table.values.length - 1);
    level = i + 1;
    let text = `Threshold ${table.values[i].toFixed(4)}: green cover of this photo ${percent(table.photo[i])}`;
    if (table.now !== i) text += ` (now ${percent(table.photo[table.now])})`;
    if (table.photos) {
      text += `; mean of the ${table.photos} photos of the visit in use, plots weighed alike, ${percent(table.mean[i])}`;
      if (table.now !== i) text += ` (now ${percent(table.mean[table.now])})`;
    }
    byId("effect").textContent = text + ".";
    slider.setAttribute("aria-valuetext", table.values[i].toFixed(4));
    const body = byId("effects").tBodies[0];
    body.textContent = "";
    for (const t of table.treatments) {
      const row = body.insertRow();
      [t.code, t.plots, percent(t.mean[table.now]), percent(t.mean[i])].forEach((v) => (row.insertCell().textContent = v));
    }
    byId("effects").hidden = !table.treatments.length;
    redraw();
  }

  fetch(`/photo/${hash}/plane`).then((r) => (r.ok ? r.arrayBuffer() : Promise.reject())).then((b) => {
    const head = new DataView(b);
    plane = { w: head.getUint32(0, true), h: head.getUint32(4, true), levels: new Uint8Array(b, 8) };
    redraw();
    box.dataset.ready = "yes";
  }).catch(() => {});
  if (slider) {
    fetch(`/photo/${hash}/thresholds`).then((r) => (r.ok ? r.json() : Promise.reject())).then((t) => {
      // The slider walks over the thresholds a visit can have; the value
      // itself goes into the form.
      table = t;
      const value = document.createElement("input");
      value.type = "hidden"; value.name = "value";
      slider.removeAttribute("name");
      slider.after(value);
      Object.assign(slider, { min: 0, max: t.values.length - 1, step: 1 });
      slider.value = t.now;
      const move = () => { value.value = t.values[Number(slider.value)]; effect(); };
      slider.addEventListener("input", move);
      move();
      slider.dataset.ready = "yes";
    }).catch(() => {});
  }
  outline.addEventListener("change", redraw);
  showAreas.addEventListener("change", () => board.draw());

  function tell() {
    const out = strokes.slice();
    if (polygon.length > 2) out.push(polygon);
    const text = byId("areatext");
    if (text) text.value = out.map((a) => a.map((p) => p.map((v) => v.toFixed(5)).join(",")).join(" ")).join(";");
    const said = byId("areasaid");
    if (said) {
      said.textContent = tool() === "brush" ? (strokes.length ? "A region is brushed over." : "Brush over what does not belong to the ground.")
        : polygon.length < 3 ? `${polygon.length} of at least 3 corners are set.` : `A region of ${polygon.length} corners.`;
    }
    const at = byId("at");
    if (at) at.value = spot ? spot.map((v) => v.toFixed(6)).join(",") : "";
    const picked = byId("atsaid");
    if (picked) {
      const v = spot && plane ? plane.levels[Math.min(plane.h - 1, Math.floor(spot[1] * plane.h)) * plane.w + Math.min(plane.w - 1, Math.floor(spot[0] * plane.w))] : 0;
      picked.textContent = !spot ? "No patch is picked yet." : v >= level && v !== 255 ? "A patch of green is picked." : "There is no green at that spot.";
    }
  }
  function over() { polygon = []; strokes = []; stroke = null; spot = null; tell(); board.draw(); }
  const radius = 0.02;
  board.onPoint = (p) => {
    if (tool() === "polygon") polygon.push(p);
    if (tool() === "patch") spot = p;
    if (tool() === "brush") { stroke = p; strokes.push(capsule(p, p, radius, ratio())); }
    tell();
  };
  board.onDrag = (p) => {
    if (!stroke || Math.hypot(p[0] - stroke[0], p[1] - stroke[1]) < radius || strokes.length >= 190) return;
    strokes.push(capsule(stroke, p, radius, ratio()));
    stroke = p;
    tell();
  };
  board.onLift = () => { stroke = null; };
  board.onBack = (key) => { if (key === "Backspace") { polygon.pop(); strokes.pop(); tell(); } else over(); };
  board.onDraw = (g, w, h) => {
    if (showAreas.checked) {
      for (const a of areas) {
        ring(g, w, h, a.points);
        g.lineWidth = 5; g.strokeStyle = "#fff"; g.stroke();
        g.lineWidth = 3; g.strokeStyle = areaWords[a.class] || "#222";
        g.setLineDash(a.class === "left out" || a.class === "not a plant" ? [8, 6] : []);
        g.stroke();
        g.setLineDash([]);
        const x = Math.min(...a.points.map((p) => p[0])) * w, y = Math.min(...a.points.map((p) => p[1])) * h;
        g.font = `${Math.round(13 * Math.max(1, w / box.clientWidth))}px sans-serif`;
        const wide = g.measureText(a.class).width, tall = 18 * Math.max(1, w / box.clientWidth);
        g.fillStyle = areaWords[a.class] || "#222";
        g.fillRect(x, Math.max(0, y - tall), wide + 10, tall);
        g.fillStyle = "#fff";
        g.fillText(a.class, x + 5, Math.max(0, y - tall) + tall * 0.75);
      }
    }
    g.fillStyle = "rgba(28, 38, 34, .55)";
    for (const s of strokes) { ring(g, w, h, s); g.fill(); }
    if (polygon.length) {
      ring(g, w, h, polygon);
      g.fill();
      g.lineWidth = 3; g.strokeStyle = "#ffd23f"; g.stroke();
      g.fillStyle = "#ffd23f";
      for (const [x, y] of polygon) g.fillRect(x * w - 5, y * h - 5, 10, 10);
    }
    if (spot && tool() === "patch") {
      g.beginPath(); g.arc(spot[0] * w, spot[1] * h, 12, 0, 7);
      g.lineWidth = 5; g.strokeStyle = "#000"; g.stroke();
      g.lineWidth = 2; g.strokeStyle = "#ffd23f"; g.stroke();
    }
  };
  function choose() {
    for (const f of document.querySelectorAll("form[data-tool]")) f.hidden = !f.dataset.tool.split(" ").includes(tool());
    box.style.touchAction = tool() === "look" ? "auto" : "none";
    over();
  }
  byId("tools").addEventListener("change", choose);
  if (byId("startover")) byId("startover").addEventListener("click", over);
  choose();

  return (key) => {
    const radios = document.querySelectorAll("input[name=tool]");
    if (key >= "1" && key <= "4") { radios[key - 1].checked = true; choose(); box.focus(); return true; }
    if (key === "o") { outline.checked = !outline.checked; redraw(); return true; }
    return false;
  };
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
  function put(n, x, y) {
    field("x", n).value = (100 * clamp(x, -0.5, 1.5)).toFixed(3);
    field("y", n).value = (100 * clamp(y, -0.5, 1.5)).toFixed(3);
    draw();
  }
  for (const b of box.querySelectorAll(".corner")) {
    const n = Number(b.dataset.corner);
    let from = null;
    b.addEventListener("pointerdown", (e) => {
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
  form.addEventListener("input", draw);
  new ResizeObserver(draw).observe(box);
  draw();
}

function countPage(box) {
  const board = new Board(box, box.querySelector("canvas")), form = byId("countform");
  const dots = [];
  const current = () => form.querySelector("input[name=class_now]:checked").value;
  const number = (which) => byId("plants" + which);
  const add = (which, n) => { const f = number(which); f.value = Math.max(0, Number(f.value || 0) + n); };
  const colours = ["#ffd23f", "#6fd3ff", "#ff9bd2", "#b7ff7a", "#ffffff", "#ffa64d"];
  board.onPoint = (p) => { dots.push([p, current()]); add(current(), 1); };
  board.onBack = () => { const d = dots.pop(); if (d) add(d[1], -1); };
  board.onDraw = (g, w, h) => {
    dots.forEach(([[x, y], which], i) => {
      g.beginPath(); g.arc(x * w, y * h, 9, 0, 7);
      g.fillStyle = colours[(which === "new" ? 5 : Number(which)) % 6]; g.fill();
      g.lineWidth = 2; g.strokeStyle = "#000"; g.stroke();
      g.fillStyle = "#000"; g.font = "11px sans-serif"; g.textAlign = "center";
      g.fillText(String(i + 1), x * w, y * h + 4);
    });
  };
  return (key) => {
    const radios = form.querySelectorAll("input[name=class_now]");
    if (key >= "1" && key <= "9" && radios[key - 1]) { radios[key - 1].checked = true; box.focus(); return true; }
    return false;
  };
}

document.addEventListener("DOMContentLoaded", () => {
  let keys = () => false;
  if (byId("board")) keys = photoPage(byId("board"));
  if (byId("corners")) framePage(byId("corners"));
  if (byId("countboard")) keys = countPage(byId("countboard"));
  const follow = (rel) => { const a = document.querySelector(`a[rel=${rel}]`); if (a) a.click(); };
  document.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey || /^(INPUT|SELECT|TEXTAREA)$/.test(e.target.tagName) && !/^(checkbox|radio|range)$/.test(e.target.type)) return;
    if (keys(e.key)) { e.preventDefault(); return; }
    if (e.key === "n") follow("next");
    if (e.key === "p") follow("prev");
    if (e.key === "a" && byId("accept")) byId("accept").requestSubmit();
  });
});
