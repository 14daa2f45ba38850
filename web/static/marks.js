// A photograph that is looked at by tiles and marked by finger, pen, mouse or keyboard. What is drawn goes into
// the forms of the page, which keep it; without this module the page works by touching a picture again and again.

const TILE = 512;
const figure = document.querySelector("figure.marking");
if (figure) easel(figure);

function easel(figure) {
  const W = Number(figure.dataset.width), H = Number(figure.dataset.height), service = figure.dataset.service;
  const may = "draw" in figure.dataset;
  const still = figure.querySelector("svg");
  const marks = [...still.querySelectorAll(".marks > *")].map(read);
  const forms = may ? { mark: document.querySelector("#draw form[method=post]"), scale: document.querySelector("#scale form") } : {};

  const box = make("div", { className: "easel", tabIndex: 0 });
  box.setAttribute("role", "application");
  box.setAttribute("aria-label", "Photograph. Arrow keys move a cross" + (may ? ", Enter sets a point, D ends the shape, Escape takes the last point back" : "") + ", plus and minus change the size.");
  const canvas = make("canvas");
  canvas.setAttribute("aria-hidden", "true");
  const said = make("p", { className: "easel-said" });
  said.setAttribute("role", "status");
  box.append(canvas);
  const bar = make("div", { className: "easel-tools" });
  bar.setAttribute("role", "group");
  bar.setAttribute("aria-label", "Drawing and looking");
  still.setAttribute("hidden", "");
  figure.prepend(bar, box, said);
  document.querySelector(".by-touch")?.setAttribute("hidden", "");

  const pen = canvas.getContext("2d");
  const hatch = hatchings(pen);
  const view = { scale: 1, x: 0, y: 0 }; // css pixels of an image pixel, and where its corner is
  let tool = "move", points = [], kind = "", precision = 0.5, ended = false;
  let cross = null, asked = false, moved = false; // moved: somebody chose what is in sight
  const tiles = new Map(); // by address, the last used last
  const base = load(still.querySelector("image").getAttribute("href"));

  // Looking

  function fit() {
    const s = Math.min(box.clientWidth / W, box.clientHeight / H);
    Object.assign(view, { scale: s, x: (box.clientWidth - W * s) / 2, y: (box.clientHeight - H * s) / 2 });
    moved = false;
    ask();
  }
  function zoom(by, x, y) {
    const least = Math.min(box.clientWidth / W, box.clientHeight / H, 1) / 2;
    const s = Math.min(Math.max(view.scale * by, least), 16);
    view.x = x - (x - view.x) * s / view.scale;
    view.y = y - (y - view.y) * s / view.scale;
    view.scale = s;
    moved = true;
    ask();
  }
  function shift(dx, dy) {
    view.x += dx;
    view.y += dy;
    moved ||= dx !== 0 || dy !== 0;
    ask();
  }
  const toImage = (x, y) => [clamp((x - view.x) / view.scale, 0, W), clamp((y - view.y) / view.scale, 0, H)];
  const toBox = (p) => [p[0] * view.scale + view.x, p[1] * view.scale + view.y];

  // Showing: at most once a frame

  function ask() { if (!asked) { asked = true; requestAnimationFrame(show); } }
  function show() {
    asked = false;
    const began = performance.now();
    const dpr = Math.min(devicePixelRatio || 1, 2);
    const w = Math.round(box.clientWidth * dpr), h = Math.round(box.clientHeight * dpr);
    if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.fillStyle = "#444";
    pen.fillRect(0, 0, w, h);
    const k = view.scale * dpr;
    pen.setTransform(k, 0, 0, k, view.x * dpr, view.y * dpr);
    pen.imageSmoothingEnabled = k < 2;
    if (base.complete && base.naturalWidth) pen.drawImage(base, 0, 0, W, H);
    showTiles(k);
    showMarks(w, h, dpr);
    pen.setTransform(k, 0, 0, k, view.x * dpr, view.y * dpr);
    showDrawing(k);
    box.dataset.slowest = Math.max(Number(box.dataset.slowest || 0), performance.now() - began).toFixed(1);
  }
  function showTiles(k) {
    let factor = 1;
    while (factor * 2 * k <= 1.01 && factor * TILE < Math.max(W, H)) factor *= 2;
    if (Math.max(W, H) / factor <= (base.naturalWidth ? Math.max(base.naturalWidth, base.naturalHeight) : 0)) return; // the picture that is there has as much
    const side = TILE * factor;
    const [l, t] = toImage(0, 0), [r, b] = toImage(box.clientWidth, box.clientHeight);
    for (let y = Math.floor(t / side) * side; y < b; y += side) {
      for (let x = Math.floor(l / side) * side; x < r; x += side) {
        const w = Math.min(side, W - x), h = Math.min(side, H - y);
        if (w <= 0 || h <= 0) continue;
        const address = `${service}/${x},${y},${w},${h}/${Math.ceil(w / factor)},${Math.ceil(h / factor)}/0/default.jpg`;
        let tile = tiles.get(address);
        if (tile) tiles.delete(address); else tile = load(address);
        tiles.set(address, tile);
        if (tiles.size > 240) tiles.delete(tiles.keys().next().value);
        if (tile.complete && tile.naturalWidth) pen.drawImage(tile, x, y, w, h);
      }
    }
  }
  function load(address) {
    const image = new Image();
    image.decoding = "async";
    image.onload = ask;
    image.src = address;
    return image;
  }
  // Marks are drawn on a layer of their own, a few at a time, so that no frame waits for many. Until the layer for
  // what is in sight is done, the last one is shown where it belongs now.
  let front = layer(), next = layer();
  function layer() {
    const canvas = make("canvas");
    return { canvas, pen: canvas.getContext("2d", { willReadFrequently: true }), sight: null, done: 0 }; // done: outlines, then numbers
  }
  function showMarks(w, h, dpr) {
    const sight = { k: view.scale * dpr, x: view.x * dpr, y: view.y * dpr, w, h, dpr };
    const seen = () => front.sight && Object.keys(sight).every((n) => front.sight[n] === sight[n]);
    if (!seen()) {
      if (!next.sight) start(next, sight);
      if (drawMarks(next)) {
        [front, next] = [next, front];
        next.sight = null;
      }
      if (!seen()) ask();
    }
    if (!front.sight) return;
    const by = sight.k / front.sight.k, edge = margin(front.sight);
    pen.setTransform(by, 0, 0, by, sight.x - (front.sight.x + edge) * by, sight.y - (front.sight.y + edge) * by);
    pen.drawImage(front.canvas, 0, 0);
  }
  const margin = (sight) => Math.round(Math.max(sight.w, sight.h) / 8); // beyond the edge, for what comes into sight
  function start(on, sight) {
    const edge = margin(sight), w = sight.w + 2 * edge, h = sight.h + 2 * edge;
    if (on.canvas.width !== w || on.canvas.height !== h) { on.canvas.width = w; on.canvas.height = h; }
    on.pen.setTransform(1, 0, 0, 1, 0, 0);
    on.pen.clearRect(0, 0, w, h);
    Object.assign(on, { sight, done: 0 });
  }
  // drawMarks goes on with a layer for some milliseconds and says whether it is done.
  function drawMarks(on) {
    const until = performance.now() + 6, { k, x, y, w, h, dpr } = on.sight, edge = margin(on.sight), p = on.pen;
    const within = (m) => m.right * k + x >= -edge && m.left * k + x <= w + edge && m.bottom * k + y >= -edge && m.top * k + y <= h + edge;
    for (const pattern of hatch) pattern.setTransform(new DOMMatrix().scale(1 / k));
    p.font = `600 ${13 * dpr}px sans-serif`;
    for (let drawn = 0; on.done < 2 * marks.length; on.done++) {
      const m = marks[on.done % marks.length];
      if (!within(m)) continue;
      if (on.done < marks.length) {
        p.setTransform(k, 0, 0, k, x + edge, y + edge);
        if (m.hatch !== null) { p.fillStyle = hatch[m.hatch]; p.fill(m.path); }
        stroke(p, m.path, k, 1.5, m.kind === "point");
      } else {
        const at = [m.left * k + x + edge, m.top * k + y + edge - 3 * dpr];
        p.setTransform(1, 0, 0, 1, 0, 0);
        Object.assign(p, { lineWidth: 3 * dpr, strokeStyle: "#fff", fillStyle: "#000", lineJoin: "round" });
        p.strokeText(m.number, ...at);
        p.fillText(m.number, ...at);
      }
      if (++drawn % 4) continue;
      p.getImageData(0, 0, 1, 1); // has it drawn now, not in one go at the end
      if (performance.now() > until) { on.done++; return false; }
    }
    return true;
  }
  function stroke(pen, path, k, width, round) {
    pen.lineCap = pen.lineJoin = "round";
    pen.strokeStyle = "#fff";
    pen.lineWidth = (round ? 9 : width + 2) / k;
    pen.stroke(path);
    pen.strokeStyle = "#000";
    pen.lineWidth = (round ? 5 : width) / k;
    pen.stroke(path);
  }
  function showDrawing(k) {
    if (points.length) {
      const path = outline(kind, points, ended);
      if (kind === "polygon" || kind === "rectangle") { pen.fillStyle = "rgba(255,255,255,0.3)"; pen.fill(path); }
      stroke(pen, path, k, 2, kind === "point");
      if (points.length < 60) for (const p of points) stroke(pen, new Path2D(`M${p[0]},${p[1]}h0`), k, 0, true);
    }
    if (cross) {
      const d = 14 / k;
      stroke(pen, new Path2D(`M${cross[0] - d},${cross[1]}h${2 * d}M${cross[0]},${cross[1] - d}v${2 * d}`), k, 1.5);
    }
  }

  // Drawing

  const most = { rectangle: 2, point: 1, scale: 2 };
  const words = { move: "Look around", polygon: "Outline", rectangle: "Rectangle", line: "Line", point: "Point", scale: "Scale bar" };
  const prompts = {
    polygon: "Outline: touch corner after corner, or draw it in one stroke.", rectangle: "Rectangle: drag from corner to corner, or touch both.",
    line: "Line: touch point after point, or draw it in one stroke.", point: "Point: touch the place.", scale: "Scale: touch one end of the bar and then the other.",
    move: "Drag to move, pinch or turn the wheel to come closer.",
  };
  function choose(next) {
    tool = next;
    box.classList.toggle("moving", tool === "move");
    if (tool !== "move" && tool !== kind) begin();
    for (const b of bar.querySelectorAll("[data-tool]")) b.setAttribute("aria-pressed", String(b.dataset.tool === tool));
    say(prompts[tool]);
    ask();
  }
  function begin() { points = []; ended = false; precision = 0.5; kind = tool; fill(); }
  // How exactly a hand sets a point, in css pixels. A finger hides what it touches.
  const hands = { touch: 3, pen: 1, mouse: 1, keyboard: 0.5 };
  function set(p, hand) {
    if (tool === "move") return;
    if (ended || kind !== tool || points.length >= (most[kind] || 10000)) begin();
    points.push([round(p[0]), round(p[1])]);
    precision = Math.max(precision, hands[hand] / view.scale);
    if (points.length === most[kind]) end(); else { fill(); tell(); }
    ask();
  }
  function end() {
    if (tool === "move" || !points.length) return;
    ended = true;
    fill();
    tell();
    ask();
  }
  function back() {
    if (!points.length) return;
    points.pop();
    ended = false;
    fill();
    tell();
    ask();
  }
  function tell() {
    const n = points.length;
    let text = n === 1 ? "1 point" : `${n} points`;
    if (kind === "rectangle" && n === 2) text = `Rectangle, ${Math.abs(points[1][0] - points[0][0]).toFixed(0)} by ${Math.abs(points[1][1] - points[0][1]).toFixed(0)} pixels`;
    if (ended) text += kind === "scale" ? ". Enter the length and keep the scale." : ". Say below what it marks and keep it.";
    say(text + ".".slice(0, ended ? 0 : 1));
  }
  function say(text) { said.textContent = text; }

  // The forms keep what is drawn.
  function fill() {
    if (kind === "scale") {
      const f = forms.scale;
      if (!f) return;
      [["from_x", 0, 0], ["from_y", 0, 1], ["to_x", 1, 0], ["to_y", 1, 1]].forEach(([name, i, j]) => { f.elements[name].value = points[i] ? points[i][j] : ""; });
      f.elements.click_px.value = round(precision);
      return;
    }
    const f = forms.mark;
    if (!f || !kind || kind === "move") return;
    f.elements.points.value = points.map((p) => p.join(",")).join(" ");
    f.elements.kind.value = kind;
    f.elements.precision_px.value = round(precision);
  }
  function keep() {
    if (kind !== "scale") { forms.mark?.requestSubmit(); return; }
    const length = forms.scale.elements.length_mm; // it cannot be known from the picture
    if (length.value) forms.scale.requestSubmit(); else { length.scrollIntoView({ block: "center" }); length.focus(); }
  }
  // What the form holds already, because it came back or a mark is changed, is drawn on.
  function takeUp() {
    const f = forms.mark;
    if (!f) return;
    const n = f.elements.points.value.match(/[-\d.]+/g)?.map(Number) || [];
    const was = f.elements.kind.value;
    if (n.length < 2 || !was) return;
    kind = tool = was;
    for (let i = 0; i + 1 < n.length; i += 2) points.push([n[i], n[i + 1]]);
    precision = Number(f.elements.precision_px.value) || 0.5;
  }

  // Hands

  const down = new Map();
  let stretch = null, stroked = null;
  const at = (e) => { const r = canvas.getBoundingClientRect(); return [e.clientX - r.left, e.clientY - r.top]; };
  canvas.addEventListener("pointerdown", (e) => {
    if (e.button > 0) return;
    e.preventDefault();
    box.focus({ preventScroll: true });
    try { canvas.setPointerCapture(e.pointerId); } catch { /* the pointer has gone already */ }
    cross = null;
    down.set(e.pointerId, at(e));
    if (down.size === 2) {
      if (stroked) { points = stroked.before; ended = stroked.ended; stroked = null; fill(); } // two fingers look, they do not draw
      stretch = spread();
    } else if (down.size === 1 && tool !== "move") {
      stroked = { from: at(e), before: points.slice(), ended, moved: false };
    }
  });
  canvas.addEventListener("pointermove", (e) => {
    const was = down.get(e.pointerId);
    if (!was) return;
    const now = at(e);
    if (down.size === 2) {
      down.set(e.pointerId, now);
      const s = spread();
      shift(s.x - stretch.x, s.y - stretch.y);
      if (stretch.d > 0) zoom(s.d / stretch.d, s.x, s.y);
      stretch = s;
      return;
    }
    if (down.size > 2) return;
    if (tool === "move") { shift(now[0] - was[0], now[1] - was[1]); down.set(e.pointerId, now); return; }
    if (!stroked) return;
    if (!stroked.moved && Math.hypot(now[0] - stroked.from[0], now[1] - stroked.from[1]) < 6) return;
    const hand = e.pointerType || "mouse";
    if (!stroked.moved) {
      stroked.moved = true;
      if (kind === "point" || kind === "scale") { stroked = null; return; }
      if (ended || kind !== tool || kind === "rectangle") begin();
      set(toImage(...stroked.from), hand);
    }
    if (kind === "rectangle") {
      points = [points[0], toImage(...now).map(round)];
      fill();
      ask();
      return;
    }
    for (const each of e.getCoalescedEvents?.().length ? e.getCoalescedEvents() : [e]) {
      const p = at(each);
      if (Math.hypot(p[0] - was[0], p[1] - was[1]) < 2 && each !== e) continue;
      const last = toBox(points[points.length - 1]);
      if (Math.hypot(p[0] - last[0], p[1] - last[1]) >= 2) set(toImage(...p), hand);
    }
    down.set(e.pointerId, now);
  });
  const up = (e) => {
    if (!down.delete(e.pointerId)) return;
    if (down.size === 1) { stretch = null; return; }
    if (!stroked) return;
    const done = stroked;
    stroked = null;
    if (e.type === "pointercancel") { points = done.before; ended = done.ended; fill(); ask(); return; }
    if (!done.moved) set(toImage(...done.from), e.pointerType || "mouse");
    else if (kind === "rectangle") end();
  };
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);
  canvas.addEventListener("dblclick", (e) => { e.preventDefault(); end(); });
  canvas.addEventListener("wheel", (e) => { e.preventDefault(); zoom(Math.exp(-e.deltaY * (e.deltaMode ? 0.05 : 0.0015)), ...at(e)); }, { passive: false });
  function spread() {
    const [a, b] = [...down.values()];
    return { x: (a[0] + b[0]) / 2, y: (a[1] + b[1]) / 2, d: Math.hypot(a[0] - b[0], a[1] - b[1]) };
  }

  // Keys

  box.addEventListener("keydown", (e) => {
    if (e.altKey || e.ctrlKey || e.metaKey || e.target !== box) return;
    const step = (e.shiftKey ? 1 : 12) / view.scale;
    const moves = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] };
    if (moves[e.key]) {
      const c = cross || toImage(box.clientWidth / 2, box.clientHeight / 2);
      cross = [clamp(c[0] + moves[e.key][0], 0, W), clamp(c[1] + moves[e.key][1], 0, H)];
      follow();
      say(`Cross at ${cross[0].toFixed(0)}, ${cross[1].toFixed(0)}.`);
    } else if (e.key === "+" || e.key === "=") zoom(1.5, ...middle());
    else if (e.key === "-") zoom(1 / 1.5, ...middle());
    else if (e.key === "0") fit();
    else if (e.key === "Enter" && tool !== "move") { cross ||= toImage(...middle()); set(cross, "keyboard"); }
    else if ((e.key === "d" || e.key === "D") && tool !== "move") end();
    else if (e.key === "Escape" || e.key === "Backspace") back();
    else return;
    e.preventDefault();
    ask();
  });
  const middle = () => (cross ? toBox(cross) : [box.clientWidth / 2, box.clientHeight / 2]);
  function follow() { // the cross stays in sight
    const [x, y] = toBox(cross), m = 40;
    shift(x < m ? m - x : x > box.clientWidth - m ? box.clientWidth - m - x : 0, y < m ? m - y : y > box.clientHeight - m ? box.clientHeight - m - y : 0);
  }

  // Tools

  for (const t of may ? ["move", "polygon", "rectangle", "line", "point", "scale"] : []) {
    const b = button(words[t], () => choose(t));
    b.dataset.tool = t;
    bar.append(b);
  }
  bar.append(named(button("+", () => zoom(1.5, ...middle())), "Closer"), named(button("−", () => zoom(1 / 1.5, ...middle())), "Wider"), button("Whole", fit));
  if (may) {
    bar.append(button("Take back", back), button("End the shape", end), button("Keep", keep));
    takeUp();
    choose(points.length ? kind : "polygon");
    if (points.length) { ended = true; tell(); }
  }
  new ResizeObserver(() => (moved ? ask() : fit())).observe(box);
  fit();
}

// read takes a mark from the still picture.
function read(e) {
  const n = (e.getAttribute("points") || e.dataset.points).match(/[-\d.]+/g).map(Number);
  const points = [];
  for (let i = 0; i + 1 < n.length; i += 2) points.push([n[i], n[i + 1]]);
  const kind = e.tagName === "polygon" ? "polygon" : e.tagName === "polyline" ? "line" : "point";
  const xs = points.map((p) => p[0]), ys = points.map((p) => p[1]);
  return { kind, path: outline(kind, points, true), hatch: e.dataset.hatch === undefined ? null : Number(e.dataset.hatch), number: e.dataset.number,
    left: Math.min(...xs), right: Math.max(...xs), top: Math.min(...ys), bottom: Math.max(...ys) };
}

function outline(kind, points, closed) {
  const path = new Path2D();
  if (kind === "rectangle" && points.length === 2) {
    path.rect(points[0][0], points[0][1], points[1][0] - points[0][0], points[1][1] - points[0][1]);
    return path;
  }
  points.forEach((p, i) => (i ? path.lineTo(...p) : path.moveTo(...p)));
  if (points.length === 1) path.lineTo(points[0][0], points[0][1]);
  if (kind === "polygon" && closed) path.closePath();
  return path;
}

// hatchings are the patterns of the legend, for a canvas.
function hatchings(pen) {
  const lines = ["M-2,14L14,-2M-8,8L8,-8M4,20L20,4", "M-2,-2L14,14M4,-8L20,8M-8,4L8,20", "M0,6H12", "M6,0V12", "M-2,14L14,-2M-2,-2L14,14", "M0,6H12M6,0V12", "M1,11L5,7M7,5L11,1", "M2,6H8"];
  return lines.map((d) => {
    const c = document.createElement("canvas");
    c.width = c.height = 12;
    const p = c.getContext("2d");
    p.strokeStyle = "rgba(255,255,255,0.8)";
    p.lineWidth = 3;
    p.stroke(new Path2D(d));
    p.strokeStyle = "#000";
    p.lineWidth = 1.3;
    p.stroke(new Path2D(d));
    return pen.createPattern(c, "repeat");
  });
}

function make(name, set = {}) { return Object.assign(document.createElement(name), set); }
function button(text, act) {
  const b = make("button", { type: "button", textContent: text, className: "small" });
  b.addEventListener("click", act);
  return b;
}
function named(b, name) { b.setAttribute("aria-label", name); return b; }
function clamp(x, low, high) { return Math.min(Math.max(x, low), high); }
function round(x) { return Math.round(x * 100) / 100; }
